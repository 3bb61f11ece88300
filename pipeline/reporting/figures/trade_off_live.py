"""The trade-off of loss against weight to hover over; the numbers are those of the drawing."""

from __future__ import annotations

import html

import plotly.graph_objects as go
from markupsafe import Markup

from pipeline.reporting.figures.live import INK, figure_layout, payload
from pipeline.reporting.figures.trade_off_drawing import WARN, axis_title, said
from pipeline.reporting.records.lists import TradeOff

WHISKER = {"color": "rgba(31,78,140,.4)", "thickness": 4, "width": 0}


def live_trade_off(curve: TradeOff) -> Markup | None:
    """Steps with intervals, the sails left ashore on hovering; None with fewer than two points."""
    if len(curve.points) < 2:
        return None
    figure = go.Figure(layout=figure_layout(axis_title(curve), "Loss, seconds a nautical mile"))
    loss = [p.loss_s or 0.0 for p in curve.points]
    up = [0.0 if p.high_s is None else p.high_s - v for p, v in zip(curve.points, loss, strict=True)]
    down = [0.0 if p.low_s is None else v - p.low_s for p, v in zip(curve.points, loss, strict=True)]
    numbers = [str(k) for k in range(1, len(loss) + 1)]
    figure.add_trace(
        go.Scatter(
            x=[curve.at(p) for p in curve.points], y=loss, mode="lines+markers+text", text=numbers,
            textposition="top right", line={"color": INK, "width": 1.8, "shape": "hv"},
            marker={"size": 8, "color": INK},
            error_y={"type": "data", "array": up, "arrayminus": down, **WHISKER},
            customdata=[html.escape(said(p, curve)) for p in curve.points],
            hovertemplate="%{customdata}<extra></extra>",
        )
    )  # fmt: skip
    if curve.limit is not None:
        figure.add_vline(x=curve.limit, line={"color": WARN, "width": 1.6, "dash": "dash"})
    figure.update_yaxes(rangemode="tozero")
    return payload(figure, [("", figure.data)], 0, height=420)

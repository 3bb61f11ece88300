"""Plotly figures for hovering and choosing; they take the place of the drawings on screen where scripts run.
See `live` for their form; the figures' numbers are those of the records.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go
from markupsafe import Markup

from pipeline.reporting.figures.chart_drawing import (
    MOVE_INK,
    boxes,
    designed_edges,
    designed_names,
    edges_of_areas,
    label_size,
)
from pipeline.reporting.figures.live import INK, figure_layout, payload
from pipeline.reporting.numbers import reader
from pipeline.reporting.palette import Palette, SetStyle
from pipeline.reporting.records.changes import Change
from pipeline.reporting.records.chart import MeasuredChart
from pipeline.reporting.records.curves import CurvePanel, SetCurve, SpeedCurves
from pipeline.reporting.records.ledger import Move
from pipeline.reporting.records.race_courses import Pick

STATES = ("clear", "close", "alone")
# Hatching of the areas: shape, size and share of ink, as in the drawing.
PATTERNS = {"clear": ("", 0, 0.0), "close": ("/", 7, 0.25), "alone": ("|", 14, 0.06)}
SAID = {"clear": "clearly fastest", "close": "fastest, in doubt", "alone": "only set measured here"}


def live_chart(
    chart: MeasuredChart,
    borders: Sequence[Change],
    moves: Sequence[Move],
    palette: Palette,
    *,
    with_design: bool,
    picks: Sequence[Pick] = (),
) -> Markup | None:
    """The measured chart with a reading for each cell; None where nothing was sailed. `picks`: stretches of races."""
    if not chart.cells:
        return None
    figure = go.Figure(layout=figure_layout("True wind speed, kn", "True wind angle, degrees"))
    for trace in _areas(chart, palette):
        figure.add_trace(trace)
    figure.add_trace(_readings(chart))
    if with_design and chart.designed:
        figure.add_trace(_designed(chart))
        if moves:
            figure.add_trace(_moves(moves))
        for name, tws_kn, twa_deg in designed_names(chart):
            figure.add_annotation(
                x=tws_kn, y=twa_deg, text=f"<i>{html.escape(name[:18])}</i>", showarrow=False, name="designed",
                font={"size": 11, "color": INK}, bgcolor="rgba(255,255,255,0.6)", borderpad=1,
            )  # fmt: skip
    crossings = [c for c in borders if c.mode == "fixed-angle" and c.crossing is not None and c.at is not None]
    if crossings:
        figure.add_trace(_crossings(crossings))
    if picks:
        figure.add_trace(_picks(picks))
    for label in chart.labels:
        figure.add_annotation(
            x=label.tws_kn, y=label.twa_deg, text=f"<b>{html.escape(label.sail_set[:18])}</b>", showarrow=False,
            font={"size": label_size(label) - 1, "color": INK}, bgcolor="rgba(255,255,255,0.7)", borderpad=2,
        )  # fmt: skip
    figure.update_xaxes(range=list(chart.tws_range))
    figure.update_yaxes(range=[chart.twa_range[1], chart.twa_range[0]], ticksuffix="°", dtick=20)
    return payload(figure, [("", figure.data)], 0, height=600)


def live_curves(curves: SpeedCurves, palette: Palette) -> Markup | None:
    """Speed against angle with a choice of wind speeds; None where no set is supported."""
    if not curves.panels:
        return None
    figure = go.Figure(layout=figure_layout("True wind angle, degrees", "Boat speed, kn"))
    angles = [p.twa_deg for q in curves.panels for c in q.curves for s in c.stretches for p in s]
    figure.update_xaxes(range=[min(angles) - 3, max(angles) + 3], dtick=10)
    choices = [(f"{p.tws_kn:g} kn", _panel(p, palette)) for p in curves.panels]
    richest = max(
        range(len(curves.panels)), key=lambda i: (len(curves.panels[i].curves) * curves.panels[i].minutes, -i)
    )
    return payload(figure, choices, richest, height=520)


def _areas(chart: MeasuredChart, palette: Palette) -> list[go.Scatter]:
    """The areas with the hatching of the drawing, and the measured borders on top."""
    traces = []
    for sail_set in chart.sets:
        style = palette.of(sail_set)
        for state in STATES:
            own = [c for c in chart.cells if c.sail_set == sail_set and c.state == state]
            shape, size, solidity = PATTERNS[state]
            pattern = {"shape": shape, "size": size, "solidity": solidity, "fgcolor": style.ink, "fgopacity": 0.5}
            colour = style.fill if state == "clear" else style.pale
            traces += _filled_boxes(boxes(own, chart), colour, {**pattern, "bgcolor": colour} if shape else None)
    over = boxes([c for c in chart.cells if c.over_limit], chart)
    traces += _filled_boxes(over, "rgba(0,0,0,0)", {"shape": "x", "size": 6, "solidity": 0.2, "fgcolor": INK})
    borders, edge = edges_of_areas(chart)
    for lines, width in ((edge, 0.8), (borders, 2.2)):
        x = [v for a, _, c, _ in lines for v in (a, c, None)]
        y = [v for _, b, _, d in lines for v in (b, d, None)]
        traces.append(go.Scatter(x=x, y=y, mode="lines", line={"color": INK, "width": width}, hoverinfo="skip"))
    return traces


def _filled_boxes(
    found: Sequence[tuple[float, float, float, float]], colour: str, pattern: dict[str, Any] | None
) -> list[go.Scatter]:
    if not found:
        return []
    x = [v for left, _, right, _ in found for v in (left, right, right, left, left, None)]
    y = [v for _, top, _, bottom in found for v in (top, top, bottom, bottom, top, None)]
    fill = {"fillpattern": pattern} if pattern else {"fillcolor": colour}
    return [go.Scatter(x=x, y=y, fill="toself", mode="lines", line={"width": 0}, hoverinfo="skip", **fill)]


def _readings(chart: MeasuredChart) -> go.Heatmap:
    """A clear sheet over the chart that gives each cell's numbers."""
    winds = _filled(sorted({c.tws_kn for c in chart.cells}), chart.tws_step_kn)
    angles = _filled(sorted({c.twa_deg for c in chart.cells}), chart.twa_step_deg)
    at = {(round(c.tws_kn, 4), round(c.twa_deg, 4)): c for c in chart.cells}
    rows = [[at.get((round(w, 4), round(a, 4))) for w in winds] for a in angles]
    return go.Heatmap(
        x=winds, y=angles,
        z=[[None if c is None else 1 for c in row] for row in rows],
        customdata=[[None if c is None else _cell_text(c) for c in row] for row in rows],
        colorscale=[[0, "rgba(255,255,255,0)"], [1, "rgba(255,255,255,0)"]], showscale=False, hoverongaps=False,
        hovertemplate="<b>%{customdata[0]}</b> at %{x} kn, %{y}<br>%{customdata[1]}<extra></extra>",
    )  # fmt: skip


def _cell_text(cell: Any) -> list[object]:
    more = SAID[cell.state]
    if cell.runner_up is not None:
        more += f"<br>next: {html.escape(cell.runner_up)}"
    if cell.margin_pct is not None:
        more += f", {reader().plain(cell.margin_pct, 1)} % behind"
    if cell.probability is not None:
        more += f"<br>probability of being fastest {reader().plain(cell.probability, 2)}"
    if cell.over_limit:
        more += "<br>beyond the maker's wind limit"
    return [html.escape(cell.sail_set), more]


def _filled(values: list[float], step: float) -> list[float]:
    """The whole lattice between the ends, so that a gap is drawn as a gap."""
    number = round((values[-1] - values[0]) / step)
    return [round(values[0] + k * step, 4) for k in range(number + 1)]


def _designed(chart: MeasuredChart) -> go.Scatter:
    edges = designed_edges(chart)
    names = [html.escape(" and ".join(dict.fromkeys(named))) for named in edges.values()]
    return go.Scatter(
        x=[v for (w0, _, w1, _) in edges for v in (w0, w1, None)],
        y=[v for (_, a0, _, a1) in edges for v in (a0, a1, None)],
        text=[v for name in names for v in (name, name, None)],
        mode="lines", line={"color": INK, "width": 2, "dash": "dash"},
        hovertemplate="designed edge of %{text}<extra></extra>",
    )  # fmt: skip


def _moves(moves: Sequence[Move]) -> go.Scatter:
    """Lines from each designed point to where its border was measured."""
    return go.Scatter(
        x=[v for m in moves for v in (m.designed_tws_kn, m.measured_tws_kn, None)],
        y=[v for m in moves for v in (m.designed_twa_deg, m.measured_twa_deg, None)],
        text=[v for m in moves for v in (*[f"{html.escape(m.set_a)} to {html.escape(m.set_b)}"] * 2, None)],
        mode="lines+markers", line={"color": MOVE_INK, "width": 2},
        marker={"symbol": "arrow", "size": [v for _ in moves for v in (0, 10, 0)], "angleref": "previous"},
        hovertemplate="moved: %{text}<extra></extra>",
    )  # fmt: skip


def _crossings(crossings: Sequence[Change]) -> go.Scatter:
    x, y, said = [], [], []
    for c in crossings:
        along_wind = c.along == "tws_kn"
        x.append(c.crossing if along_wind else c.at)
        y.append(c.at if along_wind else c.crossing)
        span = reader().span(c.low, c.high, 1)
        said.append(
            f"{html.escape(c.set_a)} to {html.escape(c.set_b)} at {reader().plain(c.crossing, 1)} {c.unit}"
            f"<br>90 %: {span} ({c.sureness})"
        )
    return go.Scatter(
        x=x, y=y, text=said, mode="markers", name="crossing",
        marker={"size": 6, "color": "#ffffff", "line": {"color": INK, "width": 1.2}},
        hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip


def _picks(picks: Sequence[Pick]) -> go.Scatter:
    """Rings at the stretches' mean wind; `static/figures.js` knows the trace by its name, the rings by their keys."""
    known = [p for p in reversed(picks) if p.tws_kn is not None and p.twa_deg is not None]
    return go.Scatter(
        x=[p.tws_kn for p in known], y=[p.twa_deg for p in known], customdata=[p.key for p in known],
        text=[html.escape(p.said) for p in known], mode="markers", name="picks",
        marker={"size": 10, "color": "rgba(255,255,255,0.75)", "line": {"color": MOVE_INK, "width": 2}},
        hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip


def _panel(panel: CurvePanel, palette: Palette) -> tuple[go.Scatter, ...]:
    traces = []
    for curve in panel.curves:
        traces += _curve(curve, palette)
    for sail_set in dict.fromkeys(d.sail_set for d in panel.dots):
        dots = [d for d in panel.dots if d.sail_set == sail_set]
        traces.append(
            go.Scatter(
                x=[round(d.twa_deg, 1) for d in dots], y=[round(d.bsp_kn, 2) for d in dots],
                customdata=[round(d.tws_kn, 1) for d in dots], mode="markers",
                legendgroup=group_of(palette.of(sail_set)),
                marker={"size": 5, "color": palette.of(sail_set).ink, "opacity": 0.45}, name=html.escape(sail_set),
                hovertemplate="window: %{y} kn at %{x}°, wind %{customdata} kn",
            )
        )  # fmt: skip
    return tuple(traces)


def _curve(curve: SetCurve, palette: Palette) -> list[go.Scatter]:
    style = palette.of(curve.sail_set)
    name = html.escape(curve.sail_set)
    dash = style.dash.replace(" ", "px,") + "px" if style.dash else "solid"
    out = []
    for stretch in curve.stretches:
        angles = [p.twa_deg for p in stretch]
        banded = [p for p in stretch if p.bsp_low_kn is not None and p.bsp_high_kn is not None]
        out.append(
            go.Scatter(
                x=[p.twa_deg for p in banded] + [p.twa_deg for p in reversed(banded)],
                y=[_r(p.bsp_high_kn) for p in banded] + [_r(p.bsp_low_kn) for p in reversed(banded)],
                fill="toself", fillcolor=f"rgba{(*(int(style.ink[i : i + 2], 16) for i in (1, 3, 5)), 0.16)}",
                mode="lines", line={"width": 0}, hoverinfo="skip", legendgroup=group_of(style),
            )
        )  # fmt: skip
        spans = [reader().span(p.bsp_low_kn, p.bsp_high_kn, 2) if p in banded else "open" for p in stretch]
        out.append(
            go.Scatter(
                x=angles, y=[_r(p.bsp_kn) for p in stretch], customdata=spans,
                mode="lines+markers" if len(stretch) == 1 else "lines",
                line={"color": style.ink, "width": 2.4, "dash": dash},
                name=name, legendgroup=group_of(style),
                hovertemplate="%{y} kn at %{x}° (90 %: %{customdata})",
            )
        )  # fmt: skip
    return out


def group_of(style: SetStyle) -> str:
    """Name of a set's traces by its number: names may be long, and each stands in every panel."""
    return f"set{style.number}"


def _r(value: float | None) -> float | None:
    return None if value is None else round(value, 3)

"""The form of the figures for hovering: a JSON text with `choices` (label and traces), `start` (which choice is shown
first), `layout` and `height`; `static/figures.js` shows it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go
from markupsafe import Markup

INK, GRID = "#1c2328", "#dcd8cf"


def figure_layout(x_title: str, y_title: str) -> dict[str, Any]:
    """The look that all figures share. Margins are fixed and there is no legend: the key below the figure serves both
    forms of it, and the plot keeps its size whatever is shown.
    """
    axis = {
        "gridcolor": GRID,
        "zeroline": False,
        "linecolor": INK,
        "ticks": "outside",
        "tickcolor": GRID,
        "fixedrange": False,
    }
    return {
        "template": "none",
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "#ffffff",
        "font": {"family": "system-ui, sans-serif", "size": 13, "color": INK},
        "margin": {"l": 62, "r": 14, "t": 14, "b": 52},
        "xaxis": {**axis, "title": {"text": x_title}},
        "yaxis": {**axis, "title": {"text": y_title, "standoff": 10}},
        "showlegend": False,
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": INK, "font": {"color": INK}, "align": "left"},
        "hovermode": "closest",
        "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": "#8d8a82", "activecolor": INK},
    }


def payload(figure: go.Figure, choices: Sequence[tuple[str, Any]], start: int, *, height: int) -> Markup:
    """The JSON text of a figure; `start` is the number of the choice that is shown first."""
    layout = figure.to_plotly_json()["layout"]
    layout.pop("template", None)
    whole = {
        "layout": layout,
        "height": height,
        "start": start,
        "choices": [{"label": label, "data": [t.to_plotly_json() for t in traces]} for label, traces in choices],
    }
    return json_block(whole)


def json_block(value: object) -> Markup:
    """JSON that is safe inside a script element of a page: no `<`, `>` or `&` stands in it as such."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign, code in (
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("&", "\\u0026"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(sign, code)
    return Markup(text)

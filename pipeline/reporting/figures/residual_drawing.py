"""A residual with its interval about zero, on a scale that all residuals of a season share."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.reporting.figures.axes import GRID, Scale
from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.numbers import reader
from pipeline.reporting.records.leftover import Residual

WIDTH, HEIGHT = 132.0, 18.0
INK, BAND, WARN = "#1c2328", "#1f4e8c", "#8a3b12"


def draw_residual(residual: Residual, half_pct: float) -> Markup:
    """Upright line: as expected; bar: 90 % interval, cut at the frame; dot: the median, filled where it stands out."""
    span = max(half_pct, 0.1)
    drawing = Drawing(WIDTH, HEIGHT, label=_said(residual), kind="chip")
    x = Scale(-span, span, 6.0, WIDTH - 6.0)

    def held(value: float) -> float:
        return x(min(max(value, -span), span))

    drawing.line(x.start, 9, x.end, 9, stroke=GRID, stroke_width=1)
    drawing.line(x(0.0), 1, x(0.0), 17, stroke=INK, stroke_width=1)
    if residual.low_pct is not None and residual.high_pct is not None:
        drawing.line(held(residual.low_pct), 9, held(residual.high_pct), 9, stroke=BAND, stroke_width=5, opacity=0.5)
    fill = WARN if residual.odd else "#ffffff"
    drawing.add("circle", cx=held(residual.median_pct), cy=9, r=3.6, fill=fill, stroke=INK, stroke_width=1.3)
    return drawing.markup()


def _said(residual: Residual) -> str:
    if residual.low_pct is None or residual.high_pct is None:
        return f"{reader().signed(residual.median_pct, 1)} % of speed, no interval."
    span = reader().span(residual.low_pct, residual.high_pct, 1, sign=True)
    return f"{reader().signed(residual.median_pct, 1)} % of speed, interval {span}."

"""A figure with its interval on a scale that all lines of one table share."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.reporting.figures.axes import GRID, Scale
from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.numbers import reader

WIDTH, HEIGHT = 132.0, 18.0
INK, BAND = "#1c2328", "#1f4e8c"


def scale_of(ends: list[float | None]) -> tuple[float, float]:
    """From the least to the most of the ends, zero always within; missing ones are left out."""
    known = [v for v in ends if v is not None]
    low, high = min([0.0, *known]), max([0.0, *known])
    return (low, high) if high > low else (0.0, 1.0)


def draw_range(
    point: float | None, low: float | None, high: float | None, scale: tuple[float, float], unit: str, *, sure: bool
) -> Markup | None:
    """Upright line: zero; bar: 90 % interval; dot: the figure, filled where it is sure. None without a figure."""
    if point is None:
        return None
    said = f"{reader().plain(point, 1)} {unit}"
    said += "." if low is None or high is None else f", interval {reader().span(low, high, 1)}."
    drawing = Drawing(WIDTH, HEIGHT, label=said, kind="chip")
    x = Scale(*scale, 6.0, WIDTH - 6.0)
    drawing.line(x.start, 9, x.end, 9, stroke=GRID, stroke_width=1)
    drawing.line(x(0.0), 1, x(0.0), 17, stroke=INK, stroke_width=1)
    if low is not None and high is not None:
        drawing.line(_held(x, low), 9, _held(x, high), 9, stroke=BAND, stroke_width=5, opacity=0.5)
    fill = INK if sure else "#ffffff"
    drawing.add("circle", cx=_held(x, point), cy=9, r=3.6, fill=fill, stroke=INK, stroke_width=1.3)
    return drawing.markup()


def _held(x: Scale, value: float) -> float:
    return x(min(max(value, x.low), x.high))

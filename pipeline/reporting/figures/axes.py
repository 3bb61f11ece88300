"""Scales, round ticks and axes with units."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.numbers import brief

GRID, AXIS = "#dcd8cf", "#4a4f52"


@dataclass(frozen=True, slots=True)
class Scale:
    """Linear map from the data [low, high] to the drawing [start, end]; start > end turns the axis over."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Place of a value."""
        span = self.high - self.low
        return self.start + (self.end - self.start) * ((value - self.low) / span if span else 0.5)


def round_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 x 10^k that parts `span` into at most so many steps."""
    raw = span / max(1, most)
    if raw <= 0:
        return 1.0
    base = 10.0 ** math.floor(math.log10(raw))
    return next(m * base for m in (1.0, 2.0, 5.0, 10.0) if m * base >= raw * (1 - 1e-9))


def ticks(low: float, high: float, step: float) -> list[float]:
    """Multiples of step within [low, high]."""
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 6) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def draw_axes(
    drawing: Drawing,
    x: Scale,
    y: Scale,
    *,
    x_ticks: list[float],
    y_ticks: list[float],
    x_title: str,
    y_title: str,
    y_unit: str = "",
) -> None:
    """Grid, tick labels and titles. The title of y stands level above its axis, where it is read without turning."""
    top, bottom = min(y.start, y.end), max(y.start, y.end)
    left, right = min(x.start, x.end), max(x.start, x.end)
    for value in x_ticks:
        drawing.line(x(value), top, x(value), bottom, stroke=GRID, stroke_width=0.7)
        drawing.text(x(value), bottom + 15, brief(value), class_="tick", text_anchor="middle")
    for value in y_ticks:
        drawing.line(left, y(value), right, y(value), stroke=GRID, stroke_width=0.7)
        drawing.text(left - 6, y(value) + 4, f"{brief(value)}{y_unit}", class_="tick", text_anchor="end")
    drawing.text(right, bottom + 32, x_title, class_="axis", text_anchor="end")
    drawing.text(left - 34 if left > 40 else 2, top - 9, y_title, class_="axis")

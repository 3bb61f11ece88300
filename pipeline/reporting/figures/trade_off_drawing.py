"""Loss against weight of the sails aboard: every list that no other beats in both, with its interval."""

from __future__ import annotations

import math

from markupsafe import Markup

from pipeline.reporting.figures.axes import Scale, draw_axes, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, short
from pipeline.reporting.numbers import brief, reader
from pipeline.reporting.records.lists import SailList, TradeOff

INK, BAND, WARN = "#1c2328", "#1f4e8c", "#8a3b12"
WIDE, NARROW = (760.0, 360.0), (390.0, 320.0)
# The frame holds all points; whiskers beyond this much of the largest loss are cut at its edge.
FRAME = 1.6
# Numbers of points nearer than this would touch.
LABEL_GAP = 15.0


def draw_trade_off(curve: TradeOff, *, narrow: bool) -> Markup | None:
    """Steps: the least loss at each weight; upright bars: 90 % intervals; dots with the numbers of the table's lines;
    dashed: the limit of `[rules]`. None with fewer than two points.
    """
    if len(curve.points) < 2:
        return None
    width, height = NARROW if narrow else WIDE
    drawing = Drawing(width, height, label=describe(curve), kind="narrow" if narrow else "wide")
    x, y = _scales(curve, width, height)
    draw_axes(
        drawing, x, y,
        x_ticks=ticks(x.low, x.high, round_step(x.high - x.low, 5 if narrow else 9)),
        y_ticks=ticks(y.low, y.high, round_step(y.high - y.low, 6)),
        x_title=axis_title(curve), y_title="Loss, seconds a nautical mile",
    )  # fmt: skip
    for p in curve.points:
        if p.low_s is not None and p.high_s is not None:
            top = min(p.high_s, y.high)
            at = x(curve.at(p))
            drawing.line(at, y(p.low_s), at, y(top), stroke=BAND, stroke_width=5, opacity=0.35)
            if p.high_s > y.high:
                drawing.add("path", d=f"M{short(at - 4)} {short(y.end + 7)}l4 -7l4 7z", fill=BAND)
    if curve.limit is not None and x.low < curve.limit < x.high:
        drawing.line(
            x(curve.limit), y.start, x(curve.limit), y.end, stroke=WARN, stroke_width=1.6, stroke_dasharray="6 4"
        )
        drawing.text(
            x(curve.limit) - 5,
            y.end + 12,
            f"limit {brief(curve.limit)}",
            class_="tick halo",
            text_anchor="end",
            fill=WARN,
        )
    drawing.add("path", d=_steps(curve, x, y), fill="none", stroke=INK, stroke_width=1.6)
    last: float | None = None
    for number, p in enumerate(curve.points, 1):
        at, level = x(curve.at(p)), y(p.loss_s or 0.0)
        drawing.add("circle", cx=at, cy=level, r=4, fill=INK, stroke="#ffffff", stroke_width=1.2, title=said(p, curve))
        if last is None or at - last >= LABEL_GAP:
            drawing.text(at + 6, level - 6, str(number), class_="changeat")
            last = at
    return drawing.markup()


def axis_title(curve: TradeOff) -> str:
    """Title of the x axis."""
    return "Sails aboard, kg" if curve.by_weight else "Sails aboard, number"


def said(point: SailList, curve: TradeOff) -> str:
    """One point in words."""
    load = f"{brief(curve.at(point))} {'kg' if curve.by_weight else 'sails'}"
    ashore = f"without {' '.join(point.ashore)}" if point.ashore else "all sails"
    interval = (
        "" if point.low_s is None or point.high_s is None else f" ({reader().span(point.low_s, point.high_s, 1)})"
    )
    return f"{load}, {ashore}: {reader().plain(point.loss_s or 0.0, 1)} s/nm{interval}"


def describe(curve: TradeOff) -> str:
    """The text alternative: the ends of the curve."""
    what = "weight" if curve.by_weight else "number"
    return (
        f"Loss against {what} of the sails aboard, {len(curve.points)} lists: from "
        f"{said(curve.points[0], curve)}, to {said(curve.points[-1], curve)}."
    )


def _scales(curve: TradeOff, width: float, height: float) -> tuple[Scale, Scale]:
    loads = [curve.at(p) for p in curve.points]
    if curve.limit is not None and curve.limit < 1.3 * max(loads):
        loads.append(curve.limit)
    margin = max(0.04 * (max(loads) - min(loads)), 0.5)
    worst = max(p.loss_s or 0.0 for p in curve.points)
    highs = [p.high_s for p in curve.points if p.high_s is not None]
    top = max(worst * 1.1, min(max(highs, default=0.0), FRAME * worst), 0.1)
    step = round_step(top, 6)
    return (
        Scale(min(loads) - margin, max(loads) + margin, 46.0, width - 14.0),
        Scale(0.0, step * math.ceil(top / step), height - 42.0, 30.0),
    )


def _steps(curve: TradeOff, x: Scale, y: Scale) -> str:
    """A list serves up to the weight of the next one."""
    first = curve.points[0]
    path = f"M{short(x(curve.at(first)))} {short(y(first.loss_s or 0.0))}"
    return path + "".join(f"H{short(x(curve.at(p)))}V{short(y(p.loss_s or 0.0))}" for p in curve.points[1:])

"""Speed against angle at one wind speed as a drawing: curves, 90 % bands, windows as dots, names at the curves."""

from __future__ import annotations

import math

from markupsafe import Markup

from pipeline.reporting.figures.axes import Scale, draw_axes, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitted, label_width, short
from pipeline.reporting.numbers import reader
from pipeline.reporting.palette import Palette, SetStyle
from pipeline.reporting.records.curves import CurvePanel, CurvePoint, Dot, SpeedCurves

WIDTH, HEIGHT = 440.0, 330.0
LABEL_GAP = 13.0
NAME_ROOM = 58.0
# The frame grows for windows far off the curves, to at most this share of the curves' own span on each side.
MOST_GROWTH = 1.0


def draw_panel(panel: CurvePanel, curves: SpeedCurves, palette: Palette) -> Markup:
    """One panel; all panels share the angles of the x axis."""
    drawing = Drawing(WIDTH, HEIGHT, label=describe(panel))
    x, y = _scales(panel, curves)
    draw_axes(
        drawing,
        x,
        y,
        x_ticks=ticks(x.low, x.high, 20.0 if x.high - x.low > 50 else 10.0),
        y_ticks=ticks(y.low, y.high, round_step(y.high - y.low, 7)),
        x_title="True wind angle, degrees",
        y_title="Boat speed, kn",
    )
    for sail_set in dict.fromkeys(d.sail_set for d in panel.dots):
        own = (d for d in panel.dots if d.sail_set == sail_set and _inside(d, x, y))
        drawing.dots([(x(d.twa_deg), y(d.bsp_kn)) for d in own], 1.8, palette.of(sail_set).ink, 0.45)
    ends = []
    for curve in panel.curves:
        style = palette.of(curve.sail_set)
        for stretch in curve.stretches:
            _draw_stretch(drawing, stretch, style, x, y)
        last = curve.stretches[-1][-1]
        ends.append((y(last.bsp_kn), x(last.twa_deg), style))
    _draw_names(drawing, ends)
    return drawing.markup()


def describe(panel: CurvePanel) -> str:
    """The text alternative: each set's range and its fastest angle."""
    parts = []
    for curve in panel.curves:
        points = [p for s in curve.stretches for p in s]
        top = max(points, key=lambda p: p.bsp_kn)
        parts.append(
            f"{curve.sail_set} from {points[0].twa_deg:g} to {points[-1].twa_deg:g} degrees, at most "
            f"{reader().plain(top.bsp_kn, 1)} kn at {top.twa_deg:g}"
        )
    return f"Boat speed against true wind angle at {panel.tws_kn:g} kn of true wind: {'; '.join(parts)}."


def dots_outside(panel: CurvePanel, curves: SpeedCurves) -> int:
    """Windows of a panel that lie outside its frame and are not drawn."""
    x, y = _scales(panel, curves)
    return sum(not _inside(d, x, y) for d in panel.dots)


def _scales(panel: CurvePanel, curves: SpeedCurves) -> tuple[Scale, Scale]:
    angles = [p.twa_deg for q in curves.chosen for c in q.curves for s in c.stretches for p in s]
    angles += [d.twa_deg for q in curves.chosen for d in q.dots]
    low, high = 10.0 * math.floor(min(angles) / 10.0), 10.0 * math.ceil(max(angles) / 10.0)
    return Scale(low, max(high, low + 20.0), 40.0, WIDTH - NAME_ROOM), Scale(*_speeds(panel), HEIGHT - 42.0, 30.0)


def _inside(dot: Dot, x: Scale, y: Scale) -> bool:
    return y.low <= dot.bsp_kn <= y.high and x.low <= dot.twa_deg <= x.high


def _speeds(panel: CurvePanel) -> tuple[float, float]:
    values = [
        v
        for c in panel.curves
        for s in c.stretches
        for p in s
        for v in (p.bsp_low_kn, p.bsp_kn, p.bsp_high_kn)
        if v is not None
    ]
    least, most = min(values), max(values)
    growth = MOST_GROWTH * max(most - least, 0.5)
    dots = [d.bsp_kn for d in panel.dots]
    least = max(least - growth, min([*dots, least]))
    most = min(most + growth, max([*dots, most]))
    step = round_step(most - least, 6)
    low, high = step * math.floor(least / step), step * math.ceil(most / step)
    return max(0.0, low), max(high, low + step)


def _draw_stretch(drawing: Drawing, stretch: tuple[CurvePoint, ...], style: SetStyle, x: Scale, y: Scale) -> None:
    banded = [p for p in stretch if p.bsp_low_kn is not None and p.bsp_high_kn is not None]
    if len(stretch) == 1:
        p = stretch[0]
        if banded:
            drawing.line(
                x(p.twa_deg),
                y(p.bsp_low_kn or 0),
                x(p.twa_deg),
                y(p.bsp_high_kn or 0),
                stroke=style.ink,
                stroke_width=4,
                opacity=0.3,
            )
        drawing.add("circle", cx=x(p.twa_deg), cy=y(p.bsp_kn), r=3.2, fill=style.ink, title=style.name)
        return
    if len(banded) > 1:
        upper = [(x(p.twa_deg), y(p.bsp_high_kn or 0.0)) for p in banded]
        lower = [(x(p.twa_deg), y(p.bsp_low_kn or 0.0)) for p in reversed(banded)]
        drawing.add("path", d=_polyline([*upper, *lower]) + "Z", fill=style.ink, opacity=0.16)
    line = _polyline([(x(p.twa_deg), y(p.bsp_kn)) for p in stretch])
    drawing.add("path", d=line, fill="none", stroke="#ffffff", stroke_width=4.2, opacity=0.7)
    drawing.add(
        "path", title=style.name, d=line, fill="none", stroke=style.ink, stroke_width=2.2, stroke_dasharray=style.dash
    )


def _polyline(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{short(a)} {short(b)}" for a, b in points)


def _draw_names(drawing: Drawing, ends: list[tuple[float, float, SetStyle]]) -> None:
    """Names at the right of the curves, pushed down where they would touch one another."""
    placed: list[tuple[float, float, float]] = []
    for level, right, style in sorted(ends, key=lambda e: (e[0], e[1])):
        name = fitted(style.name, 12.0, max(WIDTH - right - 6, 52.0))
        left, end = right + 5, right + 5 + label_width(name, 12.0)
        at = level
        for other, other_left, other_end in sorted(placed):
            if left < other_end and other_left < end and abs(at - other) < LABEL_GAP:
                at = other + LABEL_GAP
        placed.append((at, left, end))
        drawing.text(left, at + 4, name, title=style.name, class_="curvename", fill=style.text)

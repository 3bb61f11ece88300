"""A race over its time: the set up, the set measured fastest, and the seconds lost in each stretch."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.reporting.figures.axes import AXIS, GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitting_size, short
from pipeline.reporting.figures.time_drawing import clock_marks
from pipeline.reporting.numbers import brief, reader
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.race_courses import Leg, RaceCourse

WIDE, NARROW = 760.0, 372.0
LEFT, MARGIN = 44.0, 10.0
TOP, BASE = 26.0, 150.0
FLOWN, FASTEST, HEIGHT = 160.0, 186.0, 232.0
BAR = 20.0
INK, BAND, PAPER = "#1c2328", "#1f4e8c", "#ffffff"
NAME_SIZES = (12.0, 10.0, 8.5)
# Whiskers beyond so many times the largest loss are cut at the frame.
FRAME = 1.5


def draw_race(course: RaceCourse, palette: Palette, *, narrow: bool) -> Markup:
    """Columns: seconds lost in each stretch with the 90 % interval; bars below: the set up, and the one measured
    fastest where it was another. Ranked stretches can be picked.
    """
    width = NARROW if narrow else WIDE
    drawing = Drawing(width, HEIGHT, label=describe(course), kind="narrow" if narrow else "wide")
    whole = (course.end - course.start).total_seconds()
    x = Scale(0.0, max(whole, 1.0), LEFT, width - MARGIN)
    y = _losses(course)
    drawing.text(2, 14, "Lost, s", class_="axis")
    for value in ticks(0.0, y.high, round_step(y.high, 4)):
        drawing.line(LEFT, y(value), width - MARGIN, y(value), stroke=GRID, stroke_width=0.7)
        drawing.text(LEFT - 6, y(value) + 4, brief(value), class_="tick", text_anchor="end")
    drawing.line(LEFT, BASE, width - MARGIN, BASE, stroke=AXIS, stroke_width=0.9)
    for place, text in clock_marks(course.start, course.end, x):
        drawing.line(place, TOP, place, FASTEST + BAR, stroke=GRID, stroke_width=0.7)
        drawing.text(place, HEIGHT - 8, text, class_="tick", text_anchor="middle")
    drawing.text(LEFT - 6, FLOWN + 14, "up", class_="tick", text_anchor="end")
    drawing.text(LEFT - 6, FASTEST + 14, "faster", class_="tick", text_anchor="end")
    for leg in course.legs:
        a, b = (x((t - course.start).total_seconds()) for t in (leg.start, leg.end))
        _column(drawing, leg, a, b, y, palette)
    for level, names in ((FLOWN, _runs(course, False)), (FASTEST, _runs(course, True))):
        for name, first, last in names:
            a, b = (x((t - course.start).total_seconds()) for t in (first.start, last.end))
            drawing.add("rect", x=a, y=level, width=max(0.8, b - a), height=BAR, fill=palette.of(name).fill, title=name)
            size = fitting_size(name, NAME_SIZES, b - a - 4)
            if size:
                drawing.text(a + 3, level + 14, name, class_="barname", style=f"font-size:{size:g}px")
    return drawing.markup()


def describe(course: RaceCourse) -> str:
    """The text alternative: the race's loss and its dearest stretch."""
    judged = [leg for leg in course.legs if leg.loss_s is not None]
    if not judged:
        return f"{course.race}: no stretch can be judged."
    top = max(judged, key=lambda leg: leg.loss_s or 0.0)
    whole = reader().plain(sum(g.loss_s or 0.0 for g in judged), 0)
    return (
        f"{course.race}, seconds lost in {len(course.legs)} stretches: {whole} s in all, "
        f"most from {top.start:%H:%M} to {top.end:%H:%M} under {top.flown}: {reader().plain(top.loss_s, 1)} s."
    )


def _losses(course: RaceCourse) -> Scale:
    known = [leg.loss_s for leg in course.legs if leg.loss_s is not None]
    highs = [leg.high_s for leg in course.legs if leg.high_s is not None]
    most = max(known, default=0.0)
    return Scale(0.0, max(min(max(highs, default=0.0), FRAME * most), most, 1.0) * 1.04, BASE, TOP)


def _column(drawing: Drawing, leg: Leg, a: float, b: float, y: Scale, palette: Palette) -> None:
    said = f"{leg.start:%H:%M} to {leg.end:%H:%M}, {leg.flown}: "
    if leg.loss_s is None:
        drawing.text((a + b) / 2, BASE - 4, "—", class_="tick", text_anchor="middle", title=said + "not judged")
        return
    open_ = leg.low_s is None or leg.high_s is None
    said += f"{reader().plain(leg.loss_s, 1)} s lost" + (
        "" if open_ else f" ({reader().span(leg.low_s, leg.high_s, 1)})"
    )
    if leg.measured and leg.measured != leg.flown:
        said += f"; {leg.measured} measures faster"
    style = palette.of(leg.flown)
    height = max(0.6, BASE - y(leg.loss_s))
    drawing.add(
        "rect", x=a + 0.4, y=BASE - height, width=max(1.0, b - a - 0.8), height=height,
        fill=style.fill if leg.loss_s else style.pale, stroke=style.ink, stroke_width=0.8,
        class_="pickable" if leg.key else None, data_pick=leg.key, title=said,
    )  # fmt: skip
    if leg.low_s is not None and leg.high_s is not None and leg.loss_s:
        middle, top = (a + b) / 2, min(leg.high_s, y.high)
        drawing.line(middle, y(leg.low_s), middle, y(top), stroke=INK, stroke_width=1.2, class_="through")
        if leg.high_s > y.high:
            drawing.add("path", d=f"M{short(middle - 3)} {short(y.end + 5)}l3 -5l3 5z", fill=INK)


def _runs(course: RaceCourse, fastest: bool) -> list[tuple[str, Leg, Leg]]:
    """Neighbouring stretches under one set joined; `fastest`: the sets measured fastest where another was up."""
    out: list[tuple[str, Leg, Leg]] = []
    for leg in course.legs:
        name = leg.flown if not fastest else (leg.measured if leg.loss_s else None)
        if not name:
            continue
        if out and out[-1][0] == name and (leg.start - out[-1][2].end).total_seconds() < 90:
            out[-1] = (name, out[-1][1], leg)
        else:
            out.append((name, leg, leg))
    return out

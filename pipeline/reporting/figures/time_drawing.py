"""A session's time line as a drawing: sets up, steady windows, wind and boat speed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from markupsafe import Markup

from pipeline.reporting.figures.axes import AXIS, GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitting_size, short
from pipeline.reporting.numbers import brief
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.race_courses import Pick
from pipeline.reporting.records.timeline import Reading, SessionLine

WIDE, NARROW, HEIGHT = 1000.0, 400.0, 118.0
# Time between marks of the clock, the first that leaves room for its labels.
CLOCK_STEPS_MIN = (10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880)
# Ticks closer than this on the drawing are joined.
JOIN_UNITS = 0.5
# Wind and speed are not joined across a longer pause between steady windows.
JOIN_PART = 0.05
# Qualities of the time line (see `pipeline.sailing.tagging`) that are drawn as doubt.
DOUBTFUL = ("carried", "changing", "doubtful")
WIND_INK, SPEED_INK, ASIDE_INK = "#5c6266", "#1c2328", "#8f887a"
NAME_SIZES = (12.0, 10.0, 8.5)


def draw_session(
    line: SessionLine, palette: Palette, *, narrow: bool, prefix: str, picks: Sequence[Pick] = ()
) -> Markup:
    """The bar of sets, ticks of steady and set-aside time, and below it wind and speed of the steady windows.

    `picks` of the session stand as frames on the bar.
    """
    width = NARROW if narrow else WIDE
    drawing = Drawing(width, HEIGHT, label=describe(line), kind="narrow" if narrow else "wide")
    whole_s = (line.end - line.start).total_seconds()
    x = Scale(0.0, whole_s, 20.0, width - 52.0)
    _draw_clock(drawing, line, x)
    doubt = drawing.hatch(f"{prefix}{'n' if narrow else 'w'}", "#ffffff", gap=5.0, width=1.6)
    for stretch in line.stretches:
        x0, x1 = x((stretch.start - line.start).total_seconds()), x((stretch.end - line.start).total_seconds())
        style = palette.of(stretch.sail_set)
        said = f"{stretch.sail_set}, {stretch.start:%H:%M} to {stretch.end:%H:%M}, {stretch.quality or 'not rated'}"
        drawing.add("rect", x=x0, y=2, width=max(0.6, x1 - x0), height=22, fill=style.fill, title=said)
        if stretch.quality in DOUBTFUL:
            drawing.add("rect", x=x0, y=2, width=max(0.6, x1 - x0), height=22, fill=doubt, title=said)
        drawing.line(x0, 2, x0, 24, stroke="#ffffff", stroke_width=1)
        size = fitting_size(stretch.sail_set, NAME_SIZES, x1 - x0 - 5)
        if size:
            name = stretch.sail_set
            drawing.text(x0 + 3, 17, name, title=said, class_="barname", style=f"font-size:{size:g}px")
    for pick in picks:
        if line.start <= pick.start < line.end:
            a, b = (min(x((t - line.start).total_seconds()), x.end) for t in (pick.start, pick.end))
            drawing.add(
                "rect", x=a, y=1, width=max(2.0, b - a), height=24, class_="pickable frame", data_pick=pick.key,
                title=pick.said,
            )  # fmt: skip
    _draw_ticks(drawing, x, line.start, line.steady, 28.7, "#1c2328")
    _draw_ticks(drawing, x, line.start, [(begin, end) for begin, end, _ in line.aside], 33.7, ASIDE_INK)
    _draw_readings(drawing, line, x, width)
    return drawing.markup()


def describe(line: SessionLine) -> str:
    """The text alternative: the sets in their order with times."""
    parts = [f"{s.sail_set} from {s.start:%H:%M}" for s in line.stretches]
    return f"Session of {line.start:%Y-%m-%d}, {line.start:%H:%M} to {line.end:%H:%M} UTC: {', '.join(parts)}."


def _draw_ticks(
    drawing: Drawing, x: Scale, zero: datetime, spans: Sequence[tuple[datetime, datetime]], y: float, ink: str
) -> None:
    """Spans as one path; those that touch or lie closer than can be seen are joined."""
    joined: list[list[float]] = []
    for begin, end in sorted(spans):
        x0, x1 = x((begin - zero).total_seconds()), min(x((end - zero).total_seconds()), x.end)
        if joined and x0 - joined[-1][1] < JOIN_UNITS:
            joined[-1][1] = max(joined[-1][1], x1)
        else:
            joined.append([x0, x1])
    if joined:
        path = "".join(f"M{short(a)} {short(y)}h{short(max(0.8, b - a))}" for a, b in joined)
        drawing.add("path", d=path, fill="none", stroke=ink, stroke_width=3.4)


def clock_marks(start: datetime, end: datetime, x: Scale) -> list[tuple[float, str]]:
    """Round times within a span, as many as leave room for their labels: place (`x` in seconds from `start`), text."""
    whole_min = (end - start).total_seconds() / 60.0
    room = max(1.0, (x.end - x.start) / 64.0)
    step = next((s for s in CLOCK_STEPS_MIN if whole_min / s <= room), CLOCK_STEPS_MIN[-1])
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    k = -(-int((start - midnight).total_seconds()) // (60 * step))
    marks = []
    while (at := midnight + timedelta(minutes=step * k)) <= end:
        marks.append((x((at - start).total_seconds()), f"{at:%H:%M}" if step < 1440 else f"{at:%d %b}"))
        k += 1
    return marks


def _draw_clock(drawing: Drawing, line: SessionLine, x: Scale) -> None:
    for place, text in clock_marks(line.start, line.end, x):
        drawing.line(place, 24, place, HEIGHT - 16, stroke=GRID, stroke_width=0.8)
        if place < x.end - 24:
            drawing.text(place + 2, HEIGHT - 4, text, class_="tick")


def _draw_readings(drawing: Drawing, line: SessionLine, x: Scale, width: float) -> None:
    if not line.readings:
        drawing.text(x.start + 2, 70, "no steady window", class_="tick")
        return
    top = max(max(r.tws_kn for r in line.readings), max(r.bsp_kn for r in line.readings), 1.0)
    y = Scale(0.0, top, HEIGHT - 18.0, 44.0)
    drawing.line(x.start, y(0.0), x.end, y(0.0), stroke=AXIS, stroke_width=0.6)
    for value in ticks(0.0, top, round_step(top, 3)):
        if value:
            drawing.line(x.start, y(value), x.end, y(value), stroke=GRID, stroke_width=0.7)
        drawing.text(x.start - 4, y(value) + 3.5, brief(value), class_="spark", text_anchor="end")
    ends = []
    for field, ink, dash, name in (("tws_kn", WIND_INK, "4 2", "TWS"), ("bsp_kn", SPEED_INK, "", "BSP")):
        drawing.add(
            "path", d=_joined(line, line.readings, field, x, y), fill="none", stroke=ink, stroke_width=1.5,
            stroke_dasharray=dash, stroke_linecap="round", title=f"{name}, kn",
        )  # fmt: skip
        ends.append((y(getattr(line.readings[-1], field)), f"{name} {getattr(line.readings[-1], field):.0f}"))
    ends.sort()
    gap = max(0.0, 11.0 - (ends[1][0] - ends[0][0])) / 2
    drawing.text(width - 48, ends[0][0] + 4 - gap, ends[0][1], class_="spark")
    drawing.text(width - 48, ends[1][0] + 4 + gap, ends[1][1], class_="spark")


def _joined(line: SessionLine, readings: tuple[Reading, ...], field: str, x: Scale, y: Scale) -> str:
    whole_s = (line.end - line.start).total_seconds()
    parts, before = [], None
    for r in readings:
        at = (r.time - line.start).total_seconds()
        joined = before is not None and at - before <= max(JOIN_PART * whole_s, 300.0)
        place = f"{short(x(at))} {short(y(getattr(r, field)))}"
        parts.append(f"L{place}" if joined else f"M{place}h.1")
        before = at
    return "".join(parts)

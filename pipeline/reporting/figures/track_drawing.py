"""Where and in what wind a stretch was sailed: a locator on the course of its race, and the wind about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from markupsafe import Markup

from pipeline.reporting.figures.axes import AXIS, GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, short
from pipeline.reporting.figures.time_drawing import clock_marks
from pipeline.reporting.numbers import brief, reader
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.race_courses import Evidence, Leg, RaceCourse, Track, TrackPoint

WIDTH, HEIGHT = 372.0, 384.0
INK, SOFT, BAND = "#1c2328", "#8f887a", "#1f4e8c"
LEFT, RIGHT = 40.0, WIDTH - 10.0
# Frames of the two winds and of the locator, top and bottom.
SPEED, DIRECTION, COURSE = (24.0, 84.0), (112.0, 172.0), (200.0, HEIGHT - 4.0)
LEAST_KN, LEAST_DEG = 2.0, 10.0
COURSE_WIDTH, LEAST_HEIGHT, MOST_HEIGHT = 360.0, 170.0, 340.0


def draw_evidence(found: Evidence, palette: Palette) -> Markup:
    """Above: true wind speed and direction about the stretch (shaded); below: its place on the course of the race."""
    drawing = Drawing(WIDTH, HEIGHT, label=describe(found))
    s, wind = found.stretch, found.wind
    if wind:
        x = Scale(0.0, max(1.0, _minutes(wind[0].time, wind[-1].time)), LEFT, RIGHT)
        begin, end = (min(max(_minutes(wind[0].time, t), 0.0), x.high) for t in (s.start, s.end))
        speeds = [(p, p.tws_kn) for p in wind if p.tws_kn is not None]
        _wind(drawing, wind[0].time, x, (begin, end), speeds, SPEED, "True wind speed, kn", LEAST_KN, "")
        _wind(drawing, wind[0].time, x, (begin, end), _unwound(wind), DIRECTION, "Direction, degrees", LEAST_DEG, "°")
        seconds = Scale(60.0 * x.low, 60.0 * x.high, x.start, x.end)
        for place, text in clock_marks(wind[0].time, wind[-1].time, seconds):
            drawing.text(min(place, RIGHT - 14), DIRECTION[1] + 15, text, class_="tick", text_anchor="middle")
    else:
        drawing.text(LEFT, SPEED[0] + 20, "no wind is known about this stretch", class_="tick")
    _locator(drawing, found, palette)
    return drawing.markup()


def describe(found: Evidence) -> str:
    """The text alternative: the mean and the span of the wind, and whether the place is known."""
    s = found.stretch
    speeds = [p.tws_kn for p in found.track.between(s.start, s.end) if p.tws_kn is not None]
    wind = f"true wind {reader().span(min(speeds), max(speeds), 1)} kn" if speeds else "wind not known"
    place = {"position": "its place on the course of the race", "reckoned": "its place, reckoned through the water"}
    where = place.get(found.track.basis or "", "its place is not known")
    return f"{s.race}, {s.start:%H:%M} to {s.end:%H:%M} UTC: {wind}; {where}."


def draw_course(course: RaceCourse, palette: Palette) -> Markup | None:
    """The course of a race, each stretch in the colour of its set, ranked ones thick; None without places."""
    if len(course.track.placed) < 2:
        return None
    label = f"Course of {course.race}, {len(course.legs)} stretches; ranked losses are thick."
    height = _height(course.track.placed)
    drawing = Drawing(COURSE_WIDTH, height, label=label)
    to = _fitted(course.track.placed, (8.0, 8.0, COURSE_WIDTH - 8.0, height - 34.0))
    drawing.add("path", d=_path(course.track.placed, to), fill="none", stroke=SOFT, stroke_width=1.2)
    for leg in course.legs:
        span = [p for p in course.track.between(leg.start, leg.end) if p.east_nm is not None]
        if len(span) < 2:
            continue
        style = palette.of(leg.flown)
        thick = leg.key is not None
        drawing.add(
            "path", d=_path(span, to), fill="none", stroke=style.ink, stroke_width=5 if thick else 2.2,
            stroke_linecap="round", stroke_linejoin="round", opacity=0.9 if thick else 0.75,
            class_="pickable" if thick else None, data_pick=leg.key, title=_leg_words(leg),
        )  # fmt: skip
    _furniture(drawing, course.track, to, height - 10.0, COURSE_WIDTH)
    return drawing.markup()


def _leg_words(leg: Leg) -> str:
    lost = "not judged" if leg.loss_s is None else f"{reader().plain(leg.loss_s, 1)} s lost"
    return f"{leg.start:%H:%M} to {leg.end:%H:%M}, {leg.flown}: {lost}"


def _minutes(a: datetime, b: datetime) -> float:
    return (b - a).total_seconds() / 60.0


def _unwound(wind: Sequence[TrackPoint]) -> list[tuple[TrackPoint, float]]:
    """Directions without jumps at north."""
    out: list[tuple[TrackPoint, float]] = []
    for p in wind:
        if p.twd_deg is None:
            continue
        near = p.twd_deg if not out else out[-1][1] + (p.twd_deg - out[-1][1] + 180.0) % 360.0 - 180.0
        out.append((p, near))
    return out


def _wind(
    drawing: Drawing, zero: datetime, x: Scale, span: tuple[float, float], told: list[tuple[TrackPoint, float]],
    frame: tuple[float, float], title: str, least: float, unit: str,
) -> None:  # fmt: skip
    top, bottom = frame
    drawing.text(2, top - 7, title, class_="axis")
    drawing.add("rect", x=LEFT, y=top, width=RIGHT - LEFT, height=bottom - top, fill="#ffffff")
    a, b = x(span[0]), x(span[1])
    drawing.add("rect", x=a, y=top, width=max(1.0, b - a), height=bottom - top, fill=BAND, opacity=0.14)
    if not told:
        drawing.text(LEFT + 6, top + 24, "not logged", class_="tick")
        return
    values = [v for _, v in told]
    middle, half = (min(values) + max(values)) / 2, max(max(values) - min(values), least) * 0.55
    y = Scale(middle - half, middle + half, bottom, top)
    for value in ticks(y.low, y.high, round_step(2 * half, 3)):
        drawing.line(LEFT, y(value), RIGHT, y(value), stroke=GRID, stroke_width=0.7)
        shown = value % 360.0 if unit else value
        drawing.text(LEFT - 5, y(value) + 4, f"{brief(shown)}{unit}", class_="tick", text_anchor="end")
    line = "M" + "L".join(f"{short(x(_minutes(zero, p.time)))} {short(y(v))}" for p, v in told)
    drawing.add("path", d=line, fill="none", stroke=INK, stroke_width=1.6)
    drawing.line(LEFT, bottom, RIGHT, bottom, stroke=AXIS, stroke_width=0.7)


def _locator(drawing: Drawing, found: Evidence, palette: Palette) -> None:
    top, bottom = COURSE
    placed = found.track.placed
    if len(placed) < 2:
        drawing.text(LEFT, top + 30, "no positions: the place is not known", class_="tick")
        return
    to = _fitted(placed, (LEFT, top + 6.0, RIGHT, bottom - 24.0))
    drawing.add("path", d=_path(found.track.outline, to), fill="none", stroke=SOFT, stroke_width=1.3)
    s = found.stretch
    span = [p for p in found.track.between(s.start, s.end) if p.east_nm is not None]
    if len(span) > 1:
        for ink, width in (("#ffffff", 8.0), (palette.of(s.flown).ink, 5.0)):
            drawing.add(
                "path", d=_path(span, to), fill="none", stroke=ink, stroke_width=width, stroke_linecap="round",
                stroke_linejoin="round",
            )  # fmt: skip
    _furniture(drawing, found.track, to, bottom - 12.0, WIDTH)


def _height(points: Sequence[TrackPoint]) -> float:
    """Height of a course of its full width, within limits."""
    east, north = [p.east_nm or 0.0 for p in points], [p.north_nm or 0.0 for p in points]
    wide, high = max(max(east) - min(east), 0.05), max(max(north) - min(north), 0.05)
    return min(max((COURSE_WIDTH - 16.0) * high / wide + 42.0, LEAST_HEIGHT), MOST_HEIGHT)


def _fitted(points: Sequence[TrackPoint], box: tuple[float, float, float, float]) -> tuple[Scale, Scale]:
    """Scales of one size for both axes, north up, the track in the middle of the box."""
    east, north = [p.east_nm or 0.0 for p in points], [p.north_nm or 0.0 for p in points]
    wide, high = box[2] - box[0], box[3] - box[1]
    unit = min(wide / max(max(east) - min(east), 0.05), high / max(max(north) - min(north), 0.05))
    mid_e, mid_n = (min(east) + max(east)) / 2, (min(north) + max(north)) / 2
    half_e, half_n = wide / unit / 2, high / unit / 2
    return Scale(mid_e - half_e, mid_e + half_e, box[0], box[2]), Scale(mid_n - half_n, mid_n + half_n, box[3], box[1])


def _path(points: Sequence[TrackPoint], to: tuple[Scale, Scale]) -> str:
    return "M" + "L".join(f"{short(to[0](p.east_nm or 0.0))} {short(to[1](p.north_nm or 0.0))}" for p in points)


def _furniture(drawing: Drawing, track: Track, to: tuple[Scale, Scale], y: float, width: float) -> None:
    """Start, scale of miles, north, and the mean wind blowing down its arrow."""
    first = track.placed[0]
    px, py = to[0](first.east_nm or 0.0), to[1](first.north_nm or 0.0)
    drawing.add("circle", cx=px, cy=py, r=3.4, fill="#ffffff", stroke=INK, stroke_width=1.5, title="start")
    span = to[0].high - to[0].low
    miles = round_step(span / 8, 1)
    length = miles / span * (to[0].end - to[0].start)
    drawing.line(width - 12 - length, y, width - 12, y, stroke=INK, stroke_width=2)
    drawing.text(width - 12, y - 5, f"{brief(miles)} nm", class_="tick", text_anchor="end")
    directions = [math.radians(p.twd_deg) for p in track.points if p.twd_deg is not None]
    drawing.text(4, y + 4, "north up, ○ start" + ("" if track.basis != "reckoned" else ", reckoned"), class_="tick")
    if directions:
        mean = math.atan2(sum(map(math.sin, directions)), sum(map(math.cos, directions)))
        ux, uy = -math.sin(mean), math.cos(mean)  # where it blows to, y down
        cx, cy = 0.5 * width, y
        x0, y0, x1, y1 = cx - 10 * ux, cy - 10 * uy, cx + 10 * ux, cy + 10 * uy
        drawing.line(x0, y0, x1 - 5 * ux, y1 - 5 * uy, stroke=INK, stroke_width=1.8)
        head = f"M{short(x1)} {short(y1)}L{short(x1 - 8 * ux - 4 * uy)} {short(y1 - 8 * uy + 4 * ux)}"
        head += f"L{short(x1 - 8 * ux + 4 * uy)} {short(y1 - 8 * uy - 4 * ux)}Z"
        drawing.add("path", d=head, fill=INK, title=f"mean wind from {math.degrees(mean) % 360:.0f} degrees")
        drawing.text(cx + 15, cy + 4, "wind", class_="tick")

"""What to fly as the wind grows, one bar for each angle: the coach's figure, legible without colour."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from pipeline.reporting.figures.axes import GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitting_size, label_width
from pipeline.reporting.numbers import brief
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.changes import Change, Span, Strip

WIDE, NARROW = 900.0, 400.0
BAR, LANE, GAP = 20.0, 20.0, 9.0
TOP, BOTTOM = 30.0, 34.0
INK = "#1c2328"
NAME_SIZES = (12.0, 10.0, 8.5)
MARK_SIZE = 12.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A change below a bar: the guess, the stretch where either is right, its number, and the lane it stands in."""

    at: float
    low: float
    high: float
    low_open: bool
    high_open: bool
    text: str
    label_x: float
    lane: int


def draw_strips(strips: tuple[Strip, ...], palette: Palette, *, narrow: bool, prefix: str) -> Markup:
    """Bars over true wind speed; below each the changes: number where to change, line where either set is right."""
    width = NARROW if narrow else WIDE
    low, high = min(s.spans[0].start for s in strips), max(s.spans[-1].end for s in strips)
    x = Scale(low, high, 46.0, width - 10.0)
    marks = [place_marks(strip, x) for strip in strips]
    heights = [BAR + GAP + LANE * (1 + max((m.lane for m in row), default=-1)) for row in marks]
    bottom = TOP + sum(heights)
    kind = "narrow" if narrow else "wide"
    drawing = Drawing(width, bottom + BOTTOM, label=describe(strips), kind=kind)
    for value in ticks(low, high, max(2.0, round_step(high - low, 7 if narrow else 16))):
        drawing.line(x(value), TOP - 6, x(value), bottom, stroke=GRID, stroke_width=0.7)
        drawing.text(x(value), bottom + 12, brief(value), class_="tick", text_anchor="middle")
    drawing.text(width - 10, bottom + 29, "True wind speed, kn", class_="axis", text_anchor="end")
    drawing.text(4, 14, "True wind angle, degrees", class_="axis")
    y = TOP
    for number, (strip, row) in enumerate(zip(strips, marks, strict=True)):
        drawing.text(38, y + 15, f"{strip.at:g}°", class_="rowname", text_anchor="end")
        _draw_bar(drawing, strip, palette, x, y, f"{prefix}{kind[0]}{number}")
        for mark in row:
            _draw_mark(drawing, mark, y + BAR + LANE * mark.lane)
        y += heights[number]
    return drawing.markup()


def describe(strips: tuple[Strip, ...]) -> str:
    """The text alternative: the sets in rising wind for each angle."""
    parts = []
    for strip in strips:
        names = list(dict.fromkeys(s.sail_set for s in strip.spans))
        parts.append(f"at {strip.at:g} degrees {' then '.join(names)}")
    return f"Which set as the wind grows: {'; '.join(parts)}."


def place_marks(strip: Strip, x: Scale) -> tuple[Mark, ...]:
    """The changes of one bar in as few lanes as keep lines and numbers apart."""
    ends: list[float] = []
    marks = []
    for change in strip.changes:
        if change.crossing is None or change.rounded is None:
            continue
        mark = _mark(change, strip, x)
        width = label_width(mark.text, MARK_SIZE)
        left = min(mark.low, mark.at - 5, mark.label_x)
        right = max(mark.high, mark.at + 5, mark.label_x + width) + 6
        lane = next((k for k, end in enumerate(ends) if end <= left), len(ends))
        ends[lane:] = [right] if lane == len(ends) else [right, *ends[lane + 1 :]]
        marks.append(
            Mark(mark.at, mark.low, mark.high, mark.low_open, mark.high_open, mark.text, mark.label_x, lane)
        )  # fmt: skip
    return tuple(marks)


def _mark(change: Change, strip: Strip, x: Scale) -> Mark:
    def within(value: float) -> float:
        return min(max(x(value), x.start), x.end)

    at = within(change.crossing or 0.0)
    low = within(strip.spans[0].start if change.low is None else change.low)
    high = within(strip.spans[-1].end if change.high is None else change.high)
    text = brief(change.rounded or 0.0) + ("" if change.low is not None and change.high is not None else "?")
    label_x = min(at + 7, x.end - label_width(text, MARK_SIZE))
    return Mark(at, min(low, at), max(high, at), change.low is None, change.high is None, text, label_x, 0)


def _draw_bar(drawing: Drawing, strip: Strip, palette: Palette, x: Scale, y: float, prefix: str) -> None:
    for number, span in enumerate(strip.spans):
        style = palette.of(span.sail_set)
        x0, x1 = x(span.start), x(span.end)
        fill = style.fill if span.state == "clear" else style.pale
        drawing.add("rect", x=x0, y=y, width=x1 - x0, height=BAR, fill=fill, title=_said(span))
        if span.state == "close":
            paint = drawing.hatch(f"{prefix}s{number}", style.ink, gap=6.0, width=1.2)
            drawing.add("rect", x=x0, y=y, width=x1 - x0, height=BAR, fill=paint, opacity=0.5, title=_said(span))
    for span in _blocks(strip.spans):
        x0, x1 = x(span.start), x(span.end)
        drawing.add("rect", x=x0, y=y, width=x1 - x0, height=BAR, fill="none", stroke=INK, stroke_width=1.0)
        size = fitting_size(span.sail_set, NAME_SIZES, x1 - x0 - 5)
        if size:
            drawing.text(
                (x0 + x1) / 2, y + 10 + 0.36 * size, span.sail_set, title=span.sail_set, class_="barname halo",
                text_anchor="middle", style=f"font-size:{size:g}px",
            )  # fmt: skip


def _blocks(spans: tuple[Span, ...]) -> list[Span]:
    """Spans of one set that touch, whatever their state, as one."""
    out: list[Span] = []
    for span in spans:
        if out and out[-1].sail_set == span.sail_set and abs(out[-1].end - span.start) < 1e-6:
            out[-1] = Span(span.sail_set, out[-1].state, out[-1].start, span.end)
        else:
            out.append(span)
    return out


def _said(span: Span) -> str:
    meaning = {
        "clear": "clearly fastest",
        "close": "fastest by a margin in doubt",
        "alone": "the only set measured here",
    }
    return f"{span.sail_set}, {brief(span.start)} to {brief(span.end)} kn: {meaning[span.state]}"


def _draw_mark(drawing: Drawing, mark: Mark, y: float) -> None:
    """Firm where the interval is closed, with a stop at its end; dotted to the end of the data where it is open."""
    level = y + 5
    for end, open_ in ((mark.low, mark.low_open), (mark.high, mark.high_open)):
        if abs(end - mark.at) < 0.5:
            continue
        drawing.line(
            end, level, mark.at, level, stroke=INK, stroke_width=1.6 if open_ else 2.6,
            stroke_dasharray="1.5 3.5" if open_ else None,
        )  # fmt: skip
        if not open_:
            drawing.line(end, level - 4, end, level + 4, stroke=INK, stroke_width=1.6)
    hollow = mark.low_open or mark.high_open
    drawing.add(
        "path", d=f"M{mark.at:.1f} {y + 0.5:.1f}l-4.5 8.5h9z", fill="#ffffff" if hollow else INK, stroke=INK,
        stroke_width=1.2,
    )  # fmt: skip
    drawing.text(mark.label_x, y + 18, mark.text, class_="changeat")

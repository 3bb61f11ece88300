"""What to fly as the wind grows, one bar for each angle: the coach's figure, legible without colour."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.reporting.figures.axes import GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitted, label_width
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.changes import Change, Span, Strip

WIDE, NARROW = 900.0, 400.0
ROW, BAR = 34.0, 20.0
TOP, BOTTOM = 30.0, 34.0


def draw_strips(strips: tuple[Strip, ...], palette: Palette, *, narrow: bool, prefix: str) -> Markup:
    """Bars over true wind speed; the number at a border is where to change, hatching where it hardly matters."""
    width = NARROW if narrow else WIDE
    height = TOP + ROW * len(strips) + BOTTOM
    kind = "narrow" if narrow else "wide"
    drawing = Drawing(width, height, label=describe(strips), kind=kind)
    low, high = min(s.spans[0].start for s in strips), max(s.spans[-1].end for s in strips)
    x = Scale(low, high, 46.0, width - 10.0)
    bottom = TOP + ROW * len(strips)
    for value in ticks(low, high, max(2.0, round_step(high - low, 7 if narrow else 16))):
        drawing.line(x(value), TOP - 6, x(value), bottom, stroke=GRID, stroke_width=0.7)
        drawing.text(x(value), bottom + 12, f"{value:g}", class_="tick", text_anchor="middle")
    drawing.text(width - 10, bottom + 29, "True wind speed, kn", class_="axis", text_anchor="end")
    drawing.text(4, 14, "True wind angle, degrees", class_="axis")
    for number, strip in enumerate(strips):
        y = TOP + ROW * number
        drawing.text(38, y + 15, f"{strip.at:g}°", class_="rowname", text_anchor="end")
        _draw_bar(drawing, strip, palette, x, y, f"{prefix}{kind[0]}{number}")
        for change in strip.changes:
            _draw_change(drawing, change, x, y)
    return drawing.markup()


def describe(strips: tuple[Strip, ...]) -> str:
    """The text alternative: the sets in rising wind for each angle."""
    parts = []
    for strip in strips:
        names = list(dict.fromkeys(s.sail_set for s in strip.spans))
        parts.append(f"at {strip.at:g} degrees {' then '.join(names)}")
    return f"Which set as the wind grows: {'; '.join(parts)}."


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
        drawing.add("rect", x=x0, y=y, width=x1 - x0, height=BAR, fill="none", stroke="#1c2328", stroke_width=1.0)
        room = x1 - x0 - 4
        if room > label_width(span.sail_set[:2], 12.0):
            name = fitted(span.sail_set, 12.0, room)
            drawing.text(
                (x0 + x1) / 2, y + 14.5, name, title=span.sail_set, class_="barname halo", text_anchor="middle"
            )


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
    return f"{span.sail_set}, {span.start:g} to {span.end:g} kn: {meaning[span.state]}"


def _draw_change(drawing: Drawing, change: Change, x: Scale, y: float) -> None:
    if change.crossing is None or change.rounded is None:
        return
    at = min(max(x(change.crossing), x.start), x.end)
    low = x.start if change.low is None else max(x(change.low), x.start)
    high = x.end if change.high is None else min(x(change.high), x.end)
    if change.low is None and change.high is None:
        low = high = at
    drawing.line(low, y + BAR + 3, high, y + BAR + 3, stroke="#1c2328", stroke_width=2.2, opacity=0.55)
    drawing.add("path", d=f"M{at:.1f} {y + BAR - 1:.1f}l-4 7h8z", fill="#1c2328")
    text = f"{change.rounded:g}" if change.sureness != "one-sided" else f"({change.rounded:g})"
    drawing.text(at + 6, y + BAR + 12, text, class_="changeat")

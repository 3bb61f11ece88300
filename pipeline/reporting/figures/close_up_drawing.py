"""The close-up of a border: speeds of both sets with bands and windows above, their difference with its band below."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from markupsafe import Markup

from pipeline.reporting.figures.axes import AXIS, GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, label_width, short
from pipeline.reporting.numbers import Numbers, brief
from pipeline.reporting.palette import Palette, SetStyle
from pipeline.reporting.records.close_ups import CloseUp, Level, Node, Slice

WIDTH, HEIGHT = 372.0, 384.0
LEFT, RIGHT = 40.0, WIDTH - 10.0
TOP, MIDDLE, LOWER, BOTTOM = 58.0, 214.0, 250.0, 346.0
INK, BAND, DESIGN_INK = "#1c2328", "#1f4e8c", "#8a3b12"
# Surfaces in doubt (not supported) are drawn so faint.
FAINT = 0.35
# The frame of the difference holds its mean and zero; bands beyond so many per cent are cut.
MOST_PCT = 12.0


def draw_slice(found: CloseUp, part: Slice, palette: Palette, numbers: Numbers) -> Markup:
    """One line across a border; hovering (or touching) a place tells its numbers."""
    drawing = Drawing(WIDTH, HEIGHT, label=describe(found, part, numbers))
    x = Scale(part.nodes[0].x, part.nodes[-1].x, LEFT, RIGHT)
    speed, ahead = _speed_scale(part), _difference_scale(part)
    _frame(drawing, found, x, speed, ahead)
    _crossings(drawing, found, part, x, numbers)
    styles = palette.of(found.set_a), palette.of(found.set_b)
    for of_b, style in enumerate(styles):
        own = (d for d in part.dots if d.of_b == bool(of_b) and speed.low <= d.bsp_kn <= speed.high)
        drawing.dots([(x(d.x), speed(d.bsp_kn)) for d in own], 2.0, style.ink, 0.5)
    for style, level in ((styles[0], lambda n: n.a), (styles[1], lambda n: n.b)):
        _surface(drawing, part.nodes, level, style, x, speed)
    _difference(drawing, part.nodes, x, ahead)
    for n in part.nodes:
        half = (x.end - x.start) / max(1, len(part.nodes) - 1) / 2
        left = max(x.start, x(n.x) - half)
        drawing.add(
            "rect", x=left, y=TOP, width=min(x.end, x(n.x) + half) - left, height=BOTTOM - TOP, class_="ask-here",
            fill="transparent", title=said(found, n, numbers),
        )  # fmt: skip
    return drawing.markup()


def said(found: CloseUp, n: Node, numbers: Numbers) -> str:
    """One place in words."""
    words = f"{numbers.plain(n.x, 0)}{'°' if found.unit == 'deg' else ' kn'}: "
    told = [
        f"{name} {numbers.plain(v.bsp_kn, 2)} kn ({numbers.span(v.low_kn, v.high_kn, 2)})"
        for name, v in ((found.set_a, n.a), (found.set_b, n.b))
        if v is not None
    ]
    if n.difference_pct is not None:
        span = numbers.span(n.low_pct, n.high_pct, 1, sign=True)
        told.append(
            f"{found.set_b} {numbers.signed(n.difference_pct, 1)} % ({span}), "
            f"faster with a probability of {numbers.percent(n.chance)}"
        )
    if not n.supported:
        told.append("not both measured here")
    return words + "; ".join(told)


def describe(found: CloseUp, part: Slice, numbers: Numbers) -> str:
    """The text alternative: the crossing as designed and measured, and who leads on either side."""
    spot = part.spot
    unit, held = ("°", " kn") if found.unit == "deg" else (" kn", "°")
    crossing = "no crossing measured" if spot.sailed is None else f"sailed {numbers.plain(spot.sailed, 0)}{unit}"
    if spot.measured is not None:
        crossing = f"measured crossing {numbers.plain(spot.measured, 1)}{unit} ({numbers.span(spot.low, spot.high, 1)})"
    design = "" if spot.designed is None else f", designed {numbers.plain(spot.designed, 1)}{unit}"
    ends = [n for n in part.nodes if n.difference_pct is not None]
    leads = "; ".join(
        f"{found.set_b} {numbers.signed(n.difference_pct, 1)} % at {numbers.plain(n.x, 0)}{unit}"
        for n in (ends[:1] + ends[-1:])
    )
    return (
        f"Speeds of {found.set_a} and {found.set_b} at {numbers.plain(spot.at, 0)}{held}, and their difference: "
        f"{crossing}{design}; {leads}."
    )


def _speed_scale(part: Slice) -> Scale:
    known = [v for n in part.nodes for s in (n.a, n.b) if s is not None for v in (s.bsp_kn, s.low_kn, s.high_kn)]
    values = [v for v in known if v is not None]
    margin = 0.5 * (max(values) - min(values))
    dots = [d.bsp_kn for d in part.dots]
    low = max(min(values) - margin, min([*dots, *values]))
    high = min(max(values) + margin, max([*dots, *values]))
    room = 0.04 * max(high - low, 0.5)
    return Scale(max(0.0, low - room), high + room, MIDDLE, TOP)


def _difference_scale(part: Slice) -> Scale:
    ends = [abs(v) for n in part.nodes for v in (n.difference_pct, n.low_pct, n.high_pct) if v is not None]
    means = [abs(n.difference_pct) for n in part.nodes if n.difference_pct is not None]
    half = max(min(max(ends, default=1.0), MOST_PCT), max(means, default=0.0), 0.5) * 1.05
    return Scale(-half, half, BOTTOM, LOWER)


def _frame(drawing: Drawing, found: CloseUp, x: Scale, speed: Scale, ahead: Scale) -> None:
    for top, bottom in ((TOP, MIDDLE), (LOWER, BOTTOM)):
        drawing.add("rect", x=LEFT, y=top, width=RIGHT - LEFT, height=bottom - top, fill="#ffffff")
        for value in ticks(x.low, x.high, round_step(x.high - x.low, 6)):
            drawing.line(x(value), top, x(value), bottom, stroke=GRID, stroke_width=0.7)
    for value in ticks(x.low, x.high, round_step(x.high - x.low, 6)):
        drawing.text(x(value), BOTTOM + 15, brief(value), class_="tick", text_anchor="middle")
    for value in ticks(speed.low, speed.high, round_step(speed.high - speed.low, 5)):
        drawing.line(LEFT, speed(value), RIGHT, speed(value), stroke=GRID, stroke_width=0.7)
        drawing.text(LEFT - 5, speed(value) + 4, brief(value), class_="tick", text_anchor="end")
    step = round_step(ahead.high, 2)
    for value in ticks(ahead.low, ahead.high, step):
        ink, width = (AXIS, 1.1) if value == 0 else (GRID, 0.7)
        drawing.line(LEFT, ahead(value), RIGHT, ahead(value), stroke=ink, stroke_width=width)
        text = ("+" if value > 0 else "") + brief(value)
        drawing.text(LEFT - 5, ahead(value) + 4, text, class_="tick", text_anchor="end")
    title = "True wind angle, degrees" if found.unit == "deg" else "True wind speed, kn"
    drawing.text(RIGHT, BOTTOM + 32, title, class_="axis", text_anchor="end")
    drawing.text(2, TOP - 8, "Boat speed, kn", class_="axis")
    drawing.text(2, LOWER - 8, "Second set ahead, %", class_="axis")


def _crossings(drawing: Drawing, found: CloseUp, part: Slice, x: Scale, numbers: Numbers) -> None:
    """The measured crossing with its interval shaded (to the frame where open), the designed one dashed."""
    spot = part.spot
    unit = "°" if found.unit == "deg" else " kn"
    if spot.measured is not None:
        left = x(max(spot.low, x.low)) if spot.low is not None else x.start
        right = x(min(spot.high, x.high)) if spot.high is not None else x.end
        for top, bottom in ((TOP, MIDDLE), (LOWER, BOTTOM)):
            drawing.add("rect", x=left, y=top, width=right - left, height=bottom - top, fill=BAND, opacity=0.10)
            drawing.line(x(spot.measured), top, x(spot.measured), bottom, stroke=INK, stroke_width=1.8)
        _label(drawing, x, spot.measured, f"measured {numbers.plain(spot.measured, 1)}{unit}", INK, 14.0, TOP)
    if spot.sailed is not None:
        for top, bottom in ((TOP, MIDDLE), (LOWER, BOTTOM)):
            drawing.line(x(spot.sailed), top, x(spot.sailed), bottom, stroke=INK, stroke_width=1.8)
        _label(drawing, x, spot.sailed, f"sailed {numbers.plain(spot.sailed, 0)}{unit}", INK, 31.0, TOP)
    if spot.designed is not None:
        at = x(spot.designed)
        for top, bottom in ((TOP, MIDDLE), (LOWER, BOTTOM)):
            drawing.line(at, top, at, bottom, stroke=DESIGN_INK, stroke_width=1.8, stroke_dasharray="6 4")
        _label(drawing, x, spot.designed, f"designed {numbers.plain(spot.designed, 1)}{unit}", DESIGN_INK, 31.0, TOP)


def _label(drawing: Drawing, x: Scale, at: float, text: str, ink: str, y: float, foot: float) -> None:
    half = label_width(text, 12.0) / 2
    place = min(max(x(at), 2 + half), WIDTH - 2 - half)
    drawing.line(x(at), y + 3, x(at), foot, stroke=ink, stroke_width=0.8)
    drawing.text(place, y, text, class_="curvename", fill=ink, text_anchor="middle")


def _surface(
    drawing: Drawing, nodes: Sequence[Node], level: Callable[[Node], Level | None], style: SetStyle, x: Scale, y: Scale
) -> None:
    for faint, run in _runs(nodes, lambda n: level(n) is not None):
        told = [(n.x, v) for n in run if (v := level(n)) is not None]
        banded = [(at, v.low_kn, v.high_kn) for at, v in told if v.low_kn is not None and v.high_kn is not None]
        share = FAINT if faint else 1.0
        drawing.add("path", d=_band(banded, x, y), fill=style.ink, opacity=0.17 * share)
        drawing.add(
            "path", d=_line([(at, v.bsp_kn) for at, v in told], x, y), fill="none", stroke=style.ink, stroke_width=2.2,
            stroke_dasharray=style.dash, opacity=share if faint else None,
        )  # fmt: skip


def _difference(drawing: Drawing, nodes: Sequence[Node], x: Scale, y: Scale) -> None:
    for faint, run in _runs(nodes, lambda n: None not in (n.difference_pct, n.low_pct, n.high_pct)):
        share = FAINT if faint else 1.0
        banded = [(n.x, n.low_pct or 0.0, n.high_pct or 0.0) for n in run]
        drawing.add("path", d=_band(banded, x, y), fill=BAND, opacity=0.28 * share)
        drawing.add(
            "path", d=_line([(n.x, n.difference_pct or 0.0) for n in run], x, y), fill="none", stroke=INK,
            stroke_width=2.0, opacity=share if faint else None,
        )  # fmt: skip


def _runs(nodes: Sequence[Node], told: Callable[[Node], bool]) -> list[tuple[bool, list[Node]]]:
    """Unbroken runs of the nodes that are told, parted where support begins or ends; True: faint."""
    out: list[tuple[bool, list[Node]]] = []
    for one, other in pairwise(nodes):
        if not (told(one) and told(other)):
            continue
        faint = not (one.supported and other.supported)
        if out and out[-1][0] == faint and out[-1][1][-1] is one:
            out[-1][1].append(other)
        else:
            out.append((faint, [one, other]))
    return out


def _held(y: Scale, value: float) -> float:
    return y(min(max(value, y.low), y.high))


def _line(points: Sequence[tuple[float, float]], x: Scale, y: Scale) -> str:
    return "M" + "L".join(f"{short(x(u))} {short(_held(y, v))}" for u, v in points)


def _band(points: Sequence[tuple[float, float, float]], x: Scale, y: Scale) -> str:
    """`points`: place, low and high end; empty where there are none."""
    around = [(u, high) for u, _, high in points] + [(u, low) for u, low, _ in reversed(points)]
    return _line(around, x, y) + "Z" if around else "M0 0"

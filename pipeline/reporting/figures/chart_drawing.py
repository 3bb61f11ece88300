"""The measured chart as a drawing for screen and paper."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

from markupsafe import Markup

from pipeline.reporting.figures.axes import Scale, draw_axes, round_step, ticks
from pipeline.reporting.figures.svg import Drawing, fitted, label_width, short
from pipeline.reporting.numbers import brief, reader
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.chart import LABEL_DEPTH_CELLS, AreaLabel, Cell, DesignedRing, MeasuredChart
from pipeline.reporting.records.ledger import Move
from pipeline.reporting.records.race_courses import Pick

INK, PAPER, LIMIT_INK = "#1c2328", "#ffffff", "#111111"
MOVE_INK, ARROW_HEAD = "#a11d00", 8.0
WIDE, NARROW = (900.0, 600.0), (400.0, 540.0)
Box = tuple[float, float, float, float]


def draw_chart(
    chart: MeasuredChart,
    palette: Palette,
    *,
    narrow: bool,
    with_design: bool = True,
    moves: Sequence[Move] = (),
    picks: Sequence[Pick] = (),
    name: str = "",
) -> Markup:
    """Areas per fastest set, doubt hatched, unsailed blank, the design dashed on top, with arrows for what moved.

    `picks`: stretches of races as rings at their mean wind; `name` parts ids of one page.
    """
    width, height = NARROW if narrow else WIDE
    drawing = Drawing(width, height, label=describe(chart, with_design), kind="narrow" if narrow else "wide")
    x = Scale(*chart.tws_range, 48.0, width - 12.0)
    y = Scale(*chart.twa_range, 30.0, height - 42.0)
    draw_axes(
        drawing,
        x,
        y,
        x_ticks=ticks(
            *chart.tws_range, max(2.0, round_step(chart.tws_range[1] - chart.tws_range[0], 8 if narrow else 18))
        ),
        y_ticks=ticks(*chart.twa_range, 10.0 if not narrow else 20.0),
        x_title="True wind speed, kn",
        y_title="True wind angle, degrees",
        y_unit="°",
    )
    prefix = f"{name}{'n' if narrow else 'w'}"
    _draw_areas(drawing, chart, palette, x, y, prefix)
    _draw_edges(drawing, chart, x, y)
    taken = _places_of_labels(chart.labels, x, y)
    if with_design:
        _draw_design(drawing, chart, x, y, taken)
        _draw_moves(drawing, moves, x, y)
    _draw_labels(drawing, chart, palette, x, y)
    for pick in reversed(picks):
        if pick.tws_kn is not None and pick.twa_deg is not None:
            drawing.add(
                "circle", cx=x(pick.tws_kn), cy=y(pick.twa_deg), r=5, class_="pickable ring", data_pick=pick.key,
                title=pick.said,
            )  # fmt: skip
    return drawing.markup()


def describe(chart: MeasuredChart, with_design: bool = True) -> str:
    """The text alternative: what is fastest where, in words."""
    parts = [
        f"{s} in {sum(c.sail_set == s for c in chart.cells)} of {len(chart.cells)} sailed cells "
        f"({_extent([c for c in chart.cells if c.sail_set == s])})"
        for s in chart.sets
    ]
    if not parts:
        return "Chart of the fastest sail set over true wind speed and angle: nothing was sailed often enough to say."
    design = " Dashed lines show the designed borders." if with_design and chart.designed else ""
    return f"Chart of the fastest sail set over true wind speed and angle. Fastest: {'; '.join(parts)}.{design}"


def _extent(cells: list[Cell]) -> str:
    winds, angles = [c.tws_kn for c in cells], [c.twa_deg for c in cells]
    return f"{min(winds):g} to {max(winds):g} kn, {min(angles):g} to {max(angles):g} degrees"


def _draw_areas(drawing: Drawing, chart: MeasuredChart, palette: Palette, x: Scale, y: Scale, prefix: str) -> None:
    for number, sail_set in enumerate(chart.sets):
        style = palette.of(sail_set)
        own = [c for c in chart.cells if c.sail_set == sail_set]
        for state, fill in (("clear", style.fill), ("close", style.pale), ("alone", style.pale)):
            path = _blocks([c for c in own if c.state == state], chart, x, y)
            if not path:
                continue
            drawing.add("path", d=path, fill=fill, class_="area")
            if state == "close":
                paint = drawing.hatch(f"{prefix}h{number}", style.ink, gap=6.0, width=1.3)
                drawing.add("path", d=path, fill=paint, opacity=0.55)
            elif state == "alone":
                paint = drawing.hatch(f"{prefix}d{number}", style.ink, gap=13.0, width=0.8, angle_deg=0.0)
                drawing.add("path", d=path, fill=paint, opacity=0.4)
    over = _blocks([c for c in chart.cells if c.over_limit], chart, x, y)
    if over:
        paint = drawing.hatch(f"{prefix}limit", LIMIT_INK, gap=4.0, width=1.0, angle_deg=-45.0)
        drawing.add("path", d=over, fill=paint, opacity=0.75)


def _blocks(cells: Iterable[Cell], chart: MeasuredChart, x: Scale, y: Scale) -> str:
    """One path of rectangles, cells that touch along the wind joined."""
    parts = []
    for left, top, right, bottom in boxes(cells, chart):
        x0, x1, y0, y1 = x(left), x(right), y(top), y(bottom)
        parts.append(f"M{short(x0)} {short(y0)}H{short(x1)}V{short(y1)}H{short(x0)}Z")
    return "".join(parts)


def boxes(cells: Iterable[Cell], chart: MeasuredChart) -> list[Box]:
    """Cells as rectangles (TWS, TWA, TWS, TWA), those that touch along the wind joined."""
    half_w, half_a = chart.tws_step_kn / 2, chart.twa_step_deg / 2
    runs: list[Box] = []
    for c in sorted(cells, key=lambda c: (c.twa_deg, c.tws_kn)):
        top, bottom = max(0.0, c.twa_deg - half_a), min(180.0, c.twa_deg + half_a)
        if runs and runs[-1][1] == top and abs(runs[-1][2] - (c.tws_kn - half_w)) < 1e-6:
            runs[-1] = (runs[-1][0], top, c.tws_kn + half_w, bottom)
        else:
            runs.append((c.tws_kn - half_w, top, c.tws_kn + half_w, bottom))
    return runs


def _draw_edges(drawing: Drawing, chart: MeasuredChart, x: Scale, y: Scale) -> None:
    borders, edge = edges_of_areas(chart)
    drawing.add("path", d=_strokes(edge, x, y), fill="none", stroke=INK, stroke_width=0.8, opacity=0.7)
    drawing.add("path", d=_strokes(borders, x, y), fill="none", stroke=INK, stroke_width=2.0, stroke_linecap="square")


def edges_of_areas(chart: MeasuredChart) -> tuple[list[Box], list[Box]]:
    """Measured borders and edges of the data, as lines in knots and degrees.

    Between two sets lies a border only where both are measured on both sides; elsewhere the data of one set end there.
    """
    at = {(round(c.tws_kn / chart.tws_step_kn), round(c.twa_deg / chart.twa_step_deg)): c for c in chart.cells}
    borders, edge = [], []
    for (i, j), own in at.items():
        w0, a0 = (i - 0.5) * chart.tws_step_kn, (j - 0.5) * chart.twa_step_deg
        w1, a1 = w0 + chart.tws_step_kn, a0 + chart.twa_step_deg
        a0, a1 = max(a0, 0.0), min(a1, 180.0)
        sides = ((-1, 0, w0, a0, w0, a1), (1, 0, w1, a0, w1, a1), (0, -1, w0, a0, w1, a0), (0, 1, w0, a1, w1, a1))
        for di, dj, *line in sides:
            other = at.get((i + di, j + dj))
            if other is None:
                edge.append((line[0], line[1], line[2], line[3]))
            elif other.sail_set != own.sail_set and (di, dj) > (0, 0):
                both = {own.sail_set, other.sail_set}
                measured = both <= set(own.measured) and both <= set(other.measured)
                (borders if measured else edge).append((line[0], line[1], line[2], line[3]))
    return _merged(borders), _merged(edge)


def _strokes(lines: list[Box], x: Scale, y: Scale) -> str:
    return "".join(f"M{short(x(a))} {short(y(b))}L{short(x(c))} {short(y(d))}" for a, b, c, d in lines)


def _merged(lines: list[Box]) -> list[Box]:
    """Touching pieces of one straight line become one piece."""
    out: list[Box] = []
    upright = sorted(s for s in lines if s[0] == s[2])
    level = sorted((s for s in lines if s[0] != s[2]), key=lambda s: (s[1], s[0]))
    for piece in (*upright, *level):
        last = out[-1] if out else None
        if last and last[2:] == piece[:2] and (last[0] == last[2]) == (piece[0] == piece[2]):
            out[-1] = (*last[:2], *piece[2:])
        else:
            out.append(piece)
    return out


def _draw_design(drawing: Drawing, chart: MeasuredChart, x: Scale, y: Scale, taken: list[Box]) -> None:
    path = _strokes(list(designed_edges(chart)), x, y)
    if not path:
        return
    drawing.add("path", d=path, fill="none", stroke=PAPER, stroke_width=4.0, opacity=0.85)
    drawing.add("path", d=path, fill="none", stroke=INK, stroke_width=2.0, stroke_dasharray="7 5")
    for ring, px, py in _places_of_rings(chart, x, y, taken):
        text = fitted(ring.sail_set, 11.0, 90.0)
        drawing.text(px, py, text, title=f"{ring.sail_set}, designed", class_="designed", text_anchor="middle")


def designed_names(chart: MeasuredChart) -> list[tuple[str, float, float]]:
    """Names of the designed areas with a free place for each, in knots and degrees, as on the wide drawing."""
    x, y = Scale(*chart.tws_range, 48.0, WIDE[0] - 12.0), Scale(*chart.twa_range, 30.0, WIDE[1] - 42.0)
    found = _places_of_rings(chart, x, y, _places_of_labels(chart.labels, x, y))
    back_x, back_y = Scale(x.start, x.end, x.low, x.high), Scale(y.start, y.end, y.low, y.high)
    return [(ring.sail_set, back_x(px), back_y(py - 4.0)) for ring, px, py in found]


def _places_of_rings(
    chart: MeasuredChart, x: Scale, y: Scale, taken: list[Box]
) -> list[tuple[DesignedRing, float, float]]:
    places = ((ring, _place_of_ring(ring, chart, x, y, taken)) for ring in chart.designed)
    return [(ring, *place) for ring, place in places if place]


def _draw_moves(drawing: Drawing, moves: Sequence[Move], x: Scale, y: Scale) -> None:
    """An arrow from each designed point to where its border was measured; a head only where there is room for one."""
    for m in moves:
        x0, y0 = x(m.designed_tws_kn), y(m.designed_twa_deg)
        x1, y1 = x(m.measured_tws_kn), y(m.measured_twa_deg)
        length = math.hypot(x1 - x0, y1 - y0)
        if length < ARROW_HEAD or not all(map(math.isfinite, (x0, y0, x1, y1))):
            continue
        u, v = (x1 - x0) / length * ARROW_HEAD, (y1 - y0) / length * ARROW_HEAD
        head = f"M{short(x1)} {short(y1)}L{short(x1 - u - v / 2)} {short(y1 - v + u / 2)}"
        head += f"L{short(x1 - u + v / 2)} {short(y1 - v - u / 2)}Z"
        said = f"{m.set_a} to {m.set_b}: designed {brief(m.designed_tws_kn)} kn, {brief(m.designed_twa_deg)} degrees; "
        said += f"measured {reader().plain(m.measured_tws_kn, 1)} kn, {reader().plain(m.measured_twa_deg, 0)} degrees"
        for stroke, width in ((PAPER, 4.4), (MOVE_INK, 2.0)):
            drawing.line(x0, y0, x1 - u / 2, y1 - v / 2, stroke=stroke, stroke_width=width)
        drawing.add("path", d=head, fill=MOVE_INK, stroke=PAPER, stroke_width=0.8, title=said)


def designed_edges(chart: MeasuredChart) -> dict[Box, list[str]]:
    """Every edge of the designed rings once, in knots and degrees, with the names of the areas it bounds.

    Edges are cut to the frame; those that lie on the frame or outside are left out.
    """
    seen: dict[Box, list[str]] = {}
    for ring in chart.designed:
        for a, b in pairwise((*ring.vertices, *ring.vertices[:1])):
            piece = _cut(*sorted((a, b)), (*chart.tws_range, *chart.twa_range))
            if piece:
                seen.setdefault(piece, []).append(ring.sail_set)
    return seen


def _cut(a: tuple[float, float], b: tuple[float, float], frame: Box) -> Box | None:
    """The part of a line inside the frame (Liang and Barsky 1984); None outside or along the frame's own edge."""
    low_x, high_x, low_y, high_y = frame
    if (a[0] == b[0] and not low_x < a[0] < high_x) or (a[1] == b[1] and not low_y < a[1] < high_y):
        return None
    start, end = 0.0, 1.0
    dx, dy = b[0] - a[0], b[1] - a[1]
    for p, q in ((-dx, a[0] - low_x), (dx, high_x - a[0]), (-dy, a[1] - low_y), (dy, high_y - a[1])):
        if p == 0 and q < 0:
            return None
        if p < 0:
            start = max(start, q / p)
        elif p > 0:
            end = min(end, q / p)
    if start >= end:
        return None
    return a[0] + start * dx, a[1] + start * dy, a[0] + end * dx, a[1] + end * dy


def _place_of_ring(
    ring: DesignedRing, chart: MeasuredChart, x: Scale, y: Scale, taken: list[Box]
) -> tuple[float, float] | None:
    """A free place for the designed area's name: the spot inside it farthest from labels and from its own edge."""
    inside = [(max(min(w, chart.tws_range[1]), chart.tws_range[0]), a) for w, a in ring.vertices]
    low_w, high_w = min(p[0] for p in inside), max(p[0] for p in inside)
    low_a, high_a = min(p[1] for p in inside), max(p[1] for p in inside)
    half = label_width(ring.sail_set[:14], 11.0) / 2 + 6
    best: tuple[float, float, float] | None = None
    for i in range(1, 12):
        for j in range(1, 12):
            w, a = low_w + (high_w - low_w) * i / 12, low_a + (high_a - low_a) * j / 12
            px, py = x(w), y(a)
            if not _within((w, a), ring.vertices) or any(
                _clash((px - half, py - 14, px + half, py + 8), t) for t in taken
            ):
                continue
            room = min(px - x(low_w), x(high_w) - px, 2 * (py - y(low_a)), 2 * (y(high_a) - py))
            if room > half * 0.6 and (best is None or room > best[0]):
                best = (room, px, py)
    if best is None:
        return None
    taken.append((best[1] - half, best[2] - 14, best[1] + half, best[2] + 8))
    return best[1], best[2]


def _within(point: tuple[float, float], ring: tuple[tuple[float, float], ...]) -> bool:
    """Even-odd rule."""
    inside = False
    for (w0, a0), (w1, a1) in pairwise((*ring, *ring[:1])):
        if (a0 > point[1]) != (a1 > point[1]) and point[0] < w0 + (w1 - w0) * (point[1] - a0) / (a1 - a0):
            inside = not inside
    return inside


def _clash(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def label_size(label: AreaLabel) -> float:
    """Size of an area's name: smaller where the area is narrow."""
    return 15.0 if label.depth_cells >= LABEL_DEPTH_CELLS else 11.5


def _places_of_labels(labels: tuple[AreaLabel, ...], x: Scale, y: Scale) -> list[Box]:
    out = []
    for label in labels:
        half = label_width(label.sail_set[:14], 15.0) / 2 + 4
        px, py = x(label.tws_kn), y(label.twa_deg)
        out.append((px - half, py - 16, px + half, py + 10))
    return out


def _draw_labels(drawing: Drawing, chart: MeasuredChart, palette: Palette, x: Scale, y: Scale) -> None:
    for label in chart.labels:
        size = label_size(label)
        text = fitted(label.sail_set, size, 130.0)
        half = label_width(text, size) / 2
        px = min(max(x(label.tws_kn), x.start + half), x.end - half)
        drawing.text(
            px, y(label.twa_deg) + 5, text, title=label.sail_set, class_="setname", text_anchor="middle", font_size=size
        )

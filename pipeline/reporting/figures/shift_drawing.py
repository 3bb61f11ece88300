"""The small figures of the ledger: a shift with its interval beside zero, and where along a border it was tested."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from markupsafe import Markup

from pipeline.reporting.figures.axes import Scale
from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.numbers import reader
from pipeline.reporting.records.ledger import LedgerRow

WIDTH, HEIGHT = 132.0, 22.0
INK, SOFT, BAND = "#1c2328", "#6b7175", "#7d92b3"
# Height, fill and outline of a point along the border by its state; told apart by shape alone.
POINT_MARKS = {
    "moved": (16.0, INK, INK),
    "confirmed": (9.0, "#0d5c63", "#0d5c63"),
    "undecided": (9.0, "#ffffff", INK),
    "untested": (1.6, SOFT, SOFT),
}


def widest_shift(rows: Iterable[LedgerRow], along: str) -> float:
    """Half width of the scale that all rows of one direction share."""
    ends = [
        v
        for r in rows
        if r.along == along
        for v in (r.shift_low, r.shift_high, r.least, r.most, r.at_least)
        if v is not None
    ]
    return max([abs(v) for v in ends], default=1.0) or 1.0


def draw_shift(row: LedgerRow, widest: float) -> Markup | None:
    """Thin line: range along the border; thick line: typical interval; dot: typical shift; an arrow where the border
    lies beyond the data. None where nothing is known."""
    shift = row.shift if row.shift is not None else row.at_least
    if shift is None:
        return None
    scale = f"on a scale of {reader().span(-widest, widest, 1)}, zero in the middle."
    what = "Typical shift" if row.shift is not None else "Shift of at least"
    drawing = Drawing(WIDTH, HEIGHT, label=f"{what} {reader().signed(shift, 1)} {row.unit} {scale}", kind="chip")
    x = Scale(-widest, widest, 6.0, WIDTH - 6.0)
    drawing.line(x.start, 11, x.end, 11, stroke="#d9d4c8", stroke_width=1)
    drawing.line(x(0.0), 2, x(0.0), 20, stroke=INK, stroke_width=1)
    if row.shift is None:
        end = x.end if shift > 0 else x.start
        tip = -6 if shift > 0 else 6
        drawing.line(x(shift), 11, end, 11, stroke=INK, stroke_width=2)
        drawing.line(x(shift), 6, x(shift), 16, stroke=INK, stroke_width=2)
        drawing.add("path", d=f"M{end:.1f} 11l{tip} -4.5v9z", fill=INK)
        return drawing.markup()
    low = x.start if row.shift_low is None else x(row.shift_low)
    high = x.end if row.shift_high is None else x(row.shift_high)
    for end, open_ in ((low, row.shift_low is None), (high, row.shift_high is None)):
        dash, width = ("2 3", 3) if open_ else (None, 6)
        drawing.line(x(shift), 11, end, 11, stroke=BAND, stroke_width=width, stroke_dasharray=dash)
    if row.least is not None and row.most is not None:
        drawing.line(x(row.least), 11, x(row.most), 11, stroke=INK, stroke_width=1.2)
    fill = INK if row.standing.startswith("moved") else "#ffffff"
    drawing.add("circle", cx=x(shift), cy=11, r=4, fill=fill, stroke=INK, stroke_width=1.4)
    return drawing.markup()


def along_range(rows: Iterable[LedgerRow], along: str) -> tuple[float, float]:
    """Lowest and highest place that any row of one direction holds, so that all are drawn on one scale."""
    held = [p.at for r in rows if r.along == along for p in r.points if p.at is not None]
    return (min(held), max(held)) if held else (0.0, 1.0)


def draw_where(row: LedgerRow, ends: tuple[float, float]) -> Markup | None:
    """One mark for each designed point along the border, in order: moved, confirmed, measured undecided, untested."""
    held = [p for p in row.points if p.at is not None]
    if not held:
        return None
    counts = ", ".join(f"{n} {s}" for s in POINT_MARKS if (n := sum(p.state == s for p in held)))
    unit = "degrees" if row.unit == "kn" else "kn"
    drawing = Drawing(WIDTH, HEIGHT, label=f"Points from {ends[0]:g} to {ends[1]:g} {unit}: {counts}.", kind="chip")
    x = Scale(*ends, 5.0, WIDTH - 5.0)
    drawing.line(x.start, 11, x.end, 11, stroke="#d9d4c8", stroke_width=1)
    steps = sorted({p.at for p in held if p.at is not None})
    gap = min((b - a for a, b in pairwise(steps)), default=5.0)
    width = max(2.0, min(6.0, abs(x(gap) - x(0.0)) - 1.0))
    for p in held:
        height, fill, stroke = POINT_MARKS[p.state]
        drawing.add(
            "rect", x=x(p.at or 0.0) - width / 2, y=11 - height / 2, width=width, height=height, fill=fill,
            stroke=stroke, stroke_width=0.8,
        )  # fmt: skip
    return drawing.markup()

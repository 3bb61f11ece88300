"""A shift with its interval beside zero, small enough to stand in a table's cell."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.reporting.figures.axes import Scale
from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.records.ledger import LedgerRow

WIDTH, HEIGHT = 132.0, 22.0


def widest_shift(rows: tuple[LedgerRow, ...], along: str) -> float:
    """Half width of the scale that all rows of one direction share."""
    ends = [v for r in rows if r.along == along for v in (r.shift_low, r.shift_high, r.least, r.most) if v is not None]
    return max([abs(v) for v in ends], default=1.0) or 1.0


def draw_shift(row: LedgerRow, widest: float) -> Markup | None:
    """Thin line: range along the border; thick line: typical interval; dot: typical shift. None where not measured."""
    if row.shift is None:
        return None
    what = f"Typical shift {row.shift:+.1f} {row.unit} on a scale of {-widest:.1f} to {widest:.1f}, zero in the middle."
    drawing = Drawing(WIDTH, HEIGHT, label=what, kind="chip")
    x = Scale(-widest, widest, 5.0, WIDTH - 5.0)
    drawing.line(x.start, 11, x.end, 11, stroke="#dcd8cf", stroke_width=1)
    drawing.line(x(0.0), 2, x(0.0), 20, stroke="#1c2328", stroke_width=1)
    if row.least is not None and row.most is not None:
        drawing.line(x(row.least), 11, x(row.most), 11, stroke="#5c6266", stroke_width=1.2)
    low = x.start if row.shift_low is None else x(row.shift_low)
    high = x.end if row.shift_high is None else x(row.shift_high)
    open_ended = row.shift_low is None or row.shift_high is None
    drawing.line(low, 11, high, 11, stroke="#1f4e8c", stroke_width=5, opacity=0.25 if open_ended else 0.5)
    drawing.add(
        "circle",
        cx=x(row.shift),
        cy=11,
        r=4,
        fill="#1c2328" if row.standing.startswith("moved") else "#ffffff",
        stroke="#1c2328",
        stroke_width=1.4,
    )
    return drawing.markup()

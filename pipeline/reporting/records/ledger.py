"""The design ledger: what became of each designed border, worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from itertools import groupby
from statistics import median
from typing import Literal

import numpy as np
import polars as pl
from scipy.optimize import brentq

from pipeline.reporting.records.evidence import Evidence, evidence_at
from pipeline.reporting.records.tacks import TackShift, tack_shifts, typical_tack_shift

Standing = Literal["moved", "moved in part", "undecided", "confirmed", "untested"]
PointState = Literal["moved", "confirmed", "undecided", "untested"]

# Of borders that did not move, this share is called moved by luck alone: what a 90 % interval means.
LUCKY_SHARE = 0.10
NORMAL_90 = 1.6449  # half width of a central 90 % interval in standard deviations, normal distribution
# Stands for the share of a shift that is not luck where no point of a row has an error that could tell it.
EVEN_ODDS = 0.5
_ORDER: tuple[Standing, ...] = ("moved", "moved in part", "undecided", "confirmed", "untested")


@dataclass(frozen=True, slots=True)
class LedgerPoint:
    """One row of `design_comparison`."""

    at: float | None
    designed: float | None
    measured: float | None
    shift: float | None
    shift_low: float | None
    shift_high: float | None
    cost_pct: float | None
    cost_s_per_nm: float | None
    verdict: str

    @property
    def state(self) -> PointState:
        """The verdict, with what was measured but neither moved nor confirmed told from what was never measured."""
        if self.verdict in ("moved", "confirmed"):
            return "moved" if self.verdict == "moved" else "confirmed"
        return "untested" if self.measured is None else "undecided"

    @property
    def at_least(self) -> float | None:
        """Where the border lies outside the data: how far it moved at least, with its sign."""
        if self.verdict != "moved" or self.shift is not None:
            return None
        return self.shift_low if self.shift_low is not None else self.shift_high


@dataclass(frozen=True, slots=True)
class Part:
    """Neighbouring points of a border in one state, from the lowest to the highest `at`."""

    state: PointState
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Typical:
    """Medians over some points: the shift with its interval, how far at least where none has one, the cost."""

    shift: float | None
    shift_low: float | None
    shift_high: float | None
    at_least: float | None
    cost_pct: float | None
    cost_s_per_nm: float | None


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One designed border in one direction, over all the points where the designer drew it.

    `shift` is the median over the measured points, `shift_low`/`shift_high` the medians of their interval ends: the
    interval of a typical point, not of a mean, because neighbouring points rest on the same windows. `least`/`most` are
    the smallest and largest shift along the border. `at_least` is the median of how far those points moved at least
    where the border lies outside the data (only where no point has a shift). Costs are the median over the points and
    the worst point. `reliance` is the share of the shift's square that is not luck. `tacks`: by how much the measured
    border on port lies beyond that on starboard, a typical point's; None where it cannot be told.
    """

    set_a: str
    set_b: str
    along: str
    points: tuple[LedgerPoint, ...]
    shift: float | None
    shift_low: float | None
    shift_high: float | None
    least: float | None
    most: float | None
    at_least: float | None
    cost_pct: float | None
    cost_s_per_nm: float | None
    worst_s_per_nm: float | None
    reliance: float
    standing: Standing
    evidence: Evidence
    tacks: TackShift | None = None

    @property
    def unit(self) -> str:
        """Unit of the shift."""
        return "kn" if self.along == "tws_kn" else "deg"

    @property
    def parts(self) -> tuple[Part, ...]:
        """The points in order of `at`, neighbours of one state joined."""
        held = sorted((p for p in self.points if p.at is not None), key=lambda p: p.at or 0.0)
        parts = []
        for state, some in groupby(held, key=lambda p: p.state):
            ends = [p.at for p in some if p.at is not None]
            parts.append(Part(state, ends[0], ends[-1]))
        return tuple(parts)

    @property
    def where_moved(self) -> Typical:
        """Medians over the moved points alone."""
        return typical(tuple(p for p in self.points if p.state == "moved"))

    def number(self, verdict: str) -> int:
        """Points with that verdict."""
        return sum(p.verdict == verdict for p in self.points)

    @property
    def designed_over(self) -> tuple[float, float] | None:
        """Lowest and highest `at` of the points."""
        held = [p.at for p in self.points if p.at is not None]
        return (min(held), max(held)) if held else None


@dataclass(frozen=True, slots=True)
class Move:
    """One point of a designed border and where it was measured, both in the chart's axes."""

    set_a: str
    set_b: str
    designed_tws_kn: float
    designed_twa_deg: float
    measured_tws_kn: float
    measured_twa_deg: float


@dataclass(frozen=True, slots=True)
class Border:
    """One designed border between two sets: its rows in wind speed and in angle, worst first.

    `tested` are the rows with a measured or decided point, `silent` those without.
    """

    set_a: str
    set_b: str
    standing: Standing
    tested: tuple[LedgerRow, ...]
    silent: tuple[LedgerRow, ...]


@dataclass(frozen=True, slots=True)
class Ledger:
    """All designed borders. `rows` and `borders` stand worst first."""

    rows: tuple[LedgerRow, ...]

    @property
    def borders(self) -> tuple[Border, ...]:
        """The rows by unordered pair of sets; a border stands as its worst tested row, named as that row is."""
        pairs: dict[frozenset[str], list[LedgerRow]] = {}
        for row in self.rows:
            pairs.setdefault(frozenset((row.set_a, row.set_b)), []).append(row)
        return tuple(_border(rows) for rows in pairs.values())

    @property
    def moves(self) -> tuple[Move, ...]:
        """Every point that moved to where a border was measured, from the design to there."""
        return tuple(m for r in self.rows for p in r.points if (m := _move(r, p)) is not None)

    def of(self, *standings: Standing) -> tuple[Border, ...]:
        """Borders with one of those standings."""
        return tuple(b for b in self.borders if b.standing in standings)


def _move(row: LedgerRow, p: LedgerPoint) -> Move | None:
    if p.state != "moved" or p.at is None or p.designed is None or p.measured is None:
        return None
    if row.unit == "kn":
        return Move(row.set_a, row.set_b, p.designed, p.at, p.measured, p.at)
    return Move(row.set_a, row.set_b, p.at, p.designed, p.at, p.measured)


def _border(rows: list[LedgerRow]) -> Border:
    # Within a border the row with most moved points speaks first: one point alone may be luck.
    tested = [r for r in rows if r.standing != "untested"]
    tested.sort(key=lambda r: (_ORDER.index(r.standing), -r.number("moved")))
    return Border(
        set_a=(tested or rows)[0].set_a,
        set_b=(tested or rows)[0].set_b,
        standing=rows[0].standing,
        tested=tuple(tested),
        silent=tuple(r for r in rows if r.standing == "untested"),
    )


def ledger(tables: Mapping[str, pl.DataFrame]) -> Ledger:
    """One row a pair and direction of `design_comparison`, ranked by cost shrunk for luck.

    The largest shifts are partly luck, so costs are ranked after multiplying by the share of a shift's square that is
    not error, tau^2 / (tau^2 + se^2), with tau^2 estimated over all points of that direction (the estimating
    equation of Paule and Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377, with the mean fixed at zero).
    """
    comparison = tables["design_comparison"].sort("set_a", "set_b", "along", "at")
    tau2 = {along: _tau2(rows) for (along,), rows in comparison.group_by("along")}
    keys = ["set_a", "set_b", "along"]
    shifts = tack_shifts(tables)
    rows = []
    for k, part in comparison.group_by(keys, maintain_order=True):
        set_a, set_b, along = (str(x) for x in k)
        row = _row(set_a, set_b, along, part, tau2[along], tables["windows"])
        rows.append(replace(row, tacks=typical_tack_shift(shifts, set_a, set_b, along)))
    return Ledger(tuple(sorted(rows, key=_rank)))


def lucky_moved(rows: Iterable[LedgerRow]) -> float:
    """How many tested points would be called moved though the design is right everywhere."""
    return LUCKY_SHARE * sum(r.number("moved") + r.number("confirmed") for r in rows)


def _row(set_a: str, set_b: str, along: str, part: pl.DataFrame, tau2: float, windows: pl.DataFrame) -> LedgerRow:
    points = tuple(
        LedgerPoint(**{k: r[k] for k in LedgerPoint.__dataclass_fields__}) for r in part.iter_rows(named=True)
    )
    shifts = [p.shift for p in points if p.shift is not None]
    errors = [e for p in points if (e := _error(p)) is not None]
    error2 = median(errors) ** 2 if errors else None
    costs = [p.cost_s_per_nm for p in points if p.cost_s_per_nm is not None]
    return LedgerRow(
        set_a=set_a,
        set_b=set_b,
        along=along,
        points=points,
        least=min(shifts, default=None),
        most=max(shifts, default=None),
        **asdict(typical(points)),
        worst_s_per_nm=max(costs, default=None),
        reliance=EVEN_ODDS if error2 is None else (tau2 / (tau2 + error2) if tau2 + error2 > 0 else 0.0),
        standing=_standing(points),
        evidence=evidence_at(windows, set_a, set_b, along, _places(points)),
    )


def typical(points: tuple[LedgerPoint, ...]) -> Typical:
    """Medians over the points; a side of the interval that is open at most of them stays open."""
    shifted = [p for p in points if p.shift is not None]
    bounds = [p.at_least for p in points if p.at_least is not None]
    return Typical(
        shift=_median([p.shift for p in shifted]),
        shift_low=_median([p.shift_low for p in shifted]),
        shift_high=_median([p.shift_high for p in shifted]),
        at_least=median(bounds) if bounds and not shifted else None,
        cost_pct=_median([p.cost_pct for p in points if p.cost_pct is not None]),
        cost_s_per_nm=_median([p.cost_s_per_nm for p in points if p.cost_s_per_nm is not None]),
    )


def _error(point: LedgerPoint) -> float | None:
    """Standard deviation of a point's shift, from the closed side alone where the other is open."""
    low, shift, high = point.shift_low, point.shift, point.shift_high
    if low is not None and high is not None:
        return (high - low) / (2 * NORMAL_90)
    end = low if low is not None else high
    return None if shift is None or end is None else abs(shift - end) / NORMAL_90


def _places(points: tuple[LedgerPoint, ...]) -> list[tuple[float, float]]:
    """Where evidence for a row lies: (crossing, at), as measured or else as designed; points with a verdict first."""
    tested = [p for p in points if p.state != "untested"] or list(points)
    places = [(p.measured if p.measured is not None else p.designed, p.at) for p in tested]
    return [(x, at) for x, at in places if x is not None and at is not None]


def _median(values: list[float | None]) -> float | None:
    """Median of the values there are; None where more than half are missing (an open interval stays open)."""
    there = [v for v in values if v is not None]
    return median(there) if there and 2 * len(there) >= len(values) else None


def _standing(points: tuple[LedgerPoint, ...]) -> Standing:
    moved = sum(p.verdict == "moved" for p in points)
    confirmed = sum(p.verdict == "confirmed" for p in points)
    if moved and moved >= confirmed:
        return "moved"
    if moved > LUCKY_SHARE * (moved + confirmed):
        return "moved in part"
    if confirmed:
        return "confirmed"
    return "undecided" if any(p.measured is not None for p in points) else "untested"


def _tau2(rows: pl.DataFrame) -> float:
    """Variance of the true shifts about zero: where sum of shift^2 / (tau^2 + se^2) equals the number of points."""
    closed = rows.drop_nulls(["shift", "shift_low", "shift_high"]).sort("shift", "shift_low", "shift_high")
    shift2 = closed["shift"].to_numpy() ** 2
    error2 = ((closed["shift_high"].to_numpy() - closed["shift_low"].to_numpy()) / (2 * NORMAL_90)) ** 2
    shift2, error2 = shift2[error2 > 0], error2[error2 > 0]
    if shift2.size == 0 or float(np.sum(shift2 / error2)) <= shift2.size:
        return 0.0
    return float(brentq(lambda t: float(np.sum(shift2 / (t + error2))) - shift2.size, 0.0, float(shift2.sum())))


def _rank(row: LedgerRow) -> tuple[int, float, float, str, str, str]:
    cost = (row.cost_s_per_nm or 0.0) * row.reliance
    return _ORDER.index(row.standing), -cost, -abs(row.shift or 0.0), row.set_a, row.set_b, row.along

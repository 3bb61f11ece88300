"""The design ledger: what became of each designed border, worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np
import polars as pl
from scipy.optimize import brentq

Standing = Literal["moved", "moved in part", "undecided", "confirmed", "untested"]

# Of borders that did not move, this share is called moved by luck alone: what a 90 % interval means.
LUCKY_SHARE = 0.10
NORMAL_90 = 1.6449  # half width of a central 90 % interval in standard deviations, normal distribution
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


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One designed border in one direction, over all the points where the designer drew it.

    `shift` is the median over the measured points, `shift_low`/`shift_high` the medians of their interval ends: the
    interval of a typical point, not of a mean, because neighbouring points rest on the same windows. `least`/`most` are
    the smallest and largest shift along the border. Costs are the median over the points and the worst point.
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
    cost_pct: float | None
    cost_s_per_nm: float | None
    worst_s_per_nm: float | None
    reliance: float | None
    standing: Standing

    @property
    def unit(self) -> str:
        """Unit of the shift."""
        return "kn" if self.along == "tws_kn" else "deg"

    def number(self, verdict: str) -> int:
        """Points with that verdict."""
        return sum(p.verdict == verdict for p in self.points)

    @property
    def designed_over(self) -> tuple[float, float] | None:
        """Lowest and highest `at` of the points."""
        held = [p.at for p in self.points if p.at is not None]
        return (min(held), max(held)) if held else None


@dataclass(frozen=True, slots=True)
class Ledger:
    """All designed borders, worst first."""

    rows: tuple[LedgerRow, ...]

    def of(self, *standings: Standing) -> tuple[LedgerRow, ...]:
        """Rows with one of those standings."""
        return tuple(r for r in self.rows if r.standing in standings)


def ledger(tables: Mapping[str, pl.DataFrame]) -> Ledger:
    """One row a pair and direction of `design_comparison`, ranked by cost shrunk for luck.

    The largest shifts are partly luck, so costs are ranked after multiplying by the share of a shift's square that is
    not error, tau^2 / (tau^2 + se^2), with tau^2 estimated over all points of that direction (the estimating
    equation of Paule and Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377, with the mean fixed at zero).
    """
    comparison = tables["design_comparison"]
    tau2 = {along: _tau2(rows) for (along,), rows in comparison.group_by("along")}
    keys = ["set_a", "set_b", "along"]
    rows = [
        _row(str(k[0]), str(k[1]), str(k[2]), part.sort("at"), tau2[str(k[2])])
        for k, part in comparison.sort(*keys).group_by(keys, maintain_order=True)
    ]
    return Ledger(tuple(sorted(rows, key=_rank)))


def lucky_moved(rows: Iterable[LedgerRow]) -> float:
    """How many tested points would be called moved though the design is right everywhere."""
    return LUCKY_SHARE * sum(r.number("moved") + r.number("confirmed") for r in rows)


def _row(set_a: str, set_b: str, along: str, part: pl.DataFrame, tau2: float) -> LedgerRow:
    points = tuple(
        LedgerPoint(**{k: r[k] for k in LedgerPoint.__dataclass_fields__}) for r in part.iter_rows(named=True)
    )
    shifts = [p.shift for p in points if p.shift is not None]
    errors = [(p.shift_high - p.shift_low) / (2 * NORMAL_90) for p in points if None not in (p.shift_low, p.shift_high)]  # type: ignore[operator]
    error2 = median(errors) ** 2 if errors else None
    costs = [p.cost_s_per_nm for p in points if p.cost_s_per_nm is not None]
    return LedgerRow(
        set_a=set_a,
        set_b=set_b,
        along=along,
        points=points,
        shift=_median(shifts),
        shift_low=_median([p.shift_low for p in points if p.shift is not None]),
        shift_high=_median([p.shift_high for p in points if p.shift is not None]),
        least=min(shifts, default=None),
        most=max(shifts, default=None),
        cost_pct=_median([p.cost_pct for p in points if p.cost_pct is not None]),
        cost_s_per_nm=_median(costs),
        worst_s_per_nm=max(costs, default=None),
        reliance=None if error2 is None else (tau2 / (tau2 + error2) if tau2 + error2 > 0 else 0.0),
        standing=_standing(points),
    )


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
    cost = (row.cost_s_per_nm or 0.0) * (row.reliance or 0.0)
    return _ORDER.index(row.standing), -cost, -abs(row.shift or 0.0), row.set_a, row.set_b, row.along

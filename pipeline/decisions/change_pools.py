"""The cost of a change by kind, pooled over the season (side table `change_costs`), and of any change to come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.intervals import HALF_90

SCHEMA: dict[str, pl.DataType] = {
    "kind": pl.String(),
    "changes": pl.Int64(),
    "measured": pl.Int64(),
    "lost_s": pl.Float64(),
    "lost_low_s": pl.Float64(),
    "lost_high_s": pl.Float64(),
    "lost_m": pl.Float64(),
    "spread_s": pl.Float64(),
}
ALL = "all"
# Robust weights: Student's t; the kinds lean on each other by so much of their common mean where they are few.
FREEDOM = 4.0
KINDS_DIFFER = 0.35
ROUNDS = 25
LEAST_MEASURED = 3
# What all changes of a season may have in common beyond their own errors (the log's delays, the yardstick's lag), as a
# share of the cost; from the known boats.
COMMON_ERROR = 0.1


@dataclass(frozen=True, slots=True)
class ChangeCosts:
    """`table`: the side table. `of_kind`: seconds by kind; `usual_s` for a kind never measured, None where none was."""

    table: pl.DataFrame
    of_kind: dict[str, float]
    usual_s: float | None

    def seconds_of(self, kind: str) -> float | None:
        """Expected cost of a change of that kind; None where the season has measured too few changes of any."""
        return self.of_kind.get(kind, self.usual_s)


def pool_changes(sail_changes: pl.DataFrame) -> ChangeCosts:
    """Pool the table `sail_changes` (with `kind`, `within`, `error_s`) by kind, shrunk to the mean of all.

    Changes with a tack or gybe in their span are left out: what that cost cannot be told apart well enough. In the
    table a mean may be below 0 by chance; for changes to come it is held at 0.
    """
    apart = ~pl.col("within").fill_null("").str.contains("tack|gybe")
    used = sail_changes.filter(apart & pl.col("lost_s").is_not_null() & (pl.col("error_s") > 0))
    kinds = sorted(sail_changes["kind"].unique().to_list())
    if used.height < LEAST_MEASURED:
        return ChangeCosts(pl.DataFrame(schema=SCHEMA), {}, None)
    y, error = used["lost_s"].to_numpy(), used["error_s"].to_numpy()
    number = np.array([kinds.index(k) for k in used["kind"].to_list()])
    mean, variance, common, spread = _pooled(y, error, number, len(kinds))
    together = _pooled(y, error, np.zeros(len(y), dtype=np.int64), 1)
    pace = float(np.nanmedian(used["lost_m"].to_numpy() / np.where(np.abs(y) > 1e-9, y, np.nan)))
    rows = [_row(ALL, sail_changes.height, used.height, together[0][0], together[1][0], pace, together[3])]
    for k, kind in enumerate(kinds):
        count = sail_changes.filter(pl.col("kind") == kind).height
        rows.append(_row(kind, count, int((number == k).sum()), mean[k], variance[k], pace, spread))
    table = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    return ChangeCosts(table, {k: max(float(m), 0.0) for k, m in zip(kinds, mean, strict=True)}, max(common, 0.0))


def _pooled(y: Floats, error: Floats, number: np.ndarray, kinds: int) -> tuple[Floats, Floats, float, float]:
    """Mean and variance of each kind, mean of all changes, and the spread of single changes beyond their errors."""
    weight, spread = np.ones(len(y)), float(np.std(y))
    mean, variance, common = np.full(kinds, np.median(y)), np.ones(kinds), float(np.median(y))
    for _ in range(ROUNDS):
        precision = weight / (error**2 + spread**2)
        common = float((precision * y).sum() / precision.sum())
        tie = (KINDS_DIFFER * max(abs(common), 1e-3)) ** 2
        sums = np.bincount(number, precision, minlength=kinds)
        own = 1.0 / (sums + 1.0 / tie)
        mean = own * (np.bincount(number, precision * y, minlength=kinds) + common / tie)
        # The shrunken kinds also carry the doubt in what they are shrunk to.
        variance = own + (own / tie) ** 2 / precision.sum()
        rest = y - mean[number]
        weight = (FREEDOM + 1.0) / (FREEDOM + rest**2 / (error**2 + spread**2))
        excess = (weight * (rest**2 - error**2)).sum() / weight.sum()
        spread = float(np.sqrt(max(excess, 0.01 * max(common, 0.1) ** 2)))
    return mean, variance, common, spread


def _row(kind: str, changes: int, measured: int, mean: float, variance: float, pace: float, spread: float) -> tuple:
    half = HALF_90 * float(np.hypot(np.sqrt(variance), COMMON_ERROR * mean))
    return kind, changes, measured, float(mean), float(mean - half), float(mean + half), float(mean * pace), spread

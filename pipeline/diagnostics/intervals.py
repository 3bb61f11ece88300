"""Whether the intervals can be believed: each day predicted by all the others, and how often the prediction held."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from scipy import stats

from pipeline.angles import Floats
from pipeline.diagnostics.medians import LEAST_CLUSTERS
from pipeline.surfaces.coordinates import mode_weights
from pipeline.surfaces.support import INTERVAL_FACTOR, LEVEL_DOUBT
from pipeline.surfaces.without_day import Basis, LeftOut

CHECK_SCHEMA: dict[str, pl.DataType] = {
    "kind": pl.String(),
    "level": pl.Float64(),
    "held": pl.Float64(),
    "held_low": pl.Float64(),
    "held_high": pl.Float64(),
    "cases": pl.Int64(),
    "days": pl.Int64(),
    "typical_half_width_pct": pl.Float64(),
}
SPEED, DIFFERENCE = "speed of a set", "difference of two sets"
LEVELS = (0.50, 0.80, 0.90)
# A set counts on a day in one mode from so many windows on: fewer say more of their own noise than of the surfaces.
LEAST_WINDOWS = 4


@dataclass(frozen=True, slots=True)
class Prediction:
    """One predicted mean: its error over its standard deviation, that deviation in log speed, and the day's number."""

    kind: str
    score: float
    sd: float
    day: int


def interval_check(basis: Basis, left_out: list[LeftOut]) -> pl.DataFrame:
    """The table `interval_check`: share of predictions of left-out days that held, by kind and level.

    Predicted from the other days are the mean speed of each set on a day in a mode, and the difference of two sets' on
    the same day in the same mode; the interval holds the doubt in the surfaces as reported, the day's own effects and
    the noise of its windows. `held_low`, `held_high`: 90 % interval of the share, counting days.
    """
    found = [p for number, day in enumerate(left_out) for p in predictions(basis, day, number)]
    rows = []
    for kind in (SPEED, DIFFERENCE):
        mine = [p for p in found if p.kind == kind]
        if mine:
            score, day = np.array([p.score for p in mine]), np.array([p.day for p in mine])
            half = 100.0 * float(np.median([p.sd for p in mine]))
            for level in LEVELS:
                reach = float(stats.norm.ppf(0.5 + level / 2.0))
                held, low, high = clustered_share(np.abs(score) <= reach, day, level)
                rows.append((kind, level, held, low, high, len(mine), len(np.unique(day)), half * reach))
    return pl.DataFrame(rows, schema=CHECK_SCHEMA, orient="row")


def predictions(basis: Basis, day: LeftOut, number: int) -> list[Prediction]:
    """Means of the day's sets by mode, and differences between them."""
    weight = basis.weights.window[day.rows] * basis.weights.stretch[day.rows]
    mode = mode_weights(basis.seen.twa_deg[day.rows]).argmax(axis=1)
    sets = basis.seen.set_number[day.rows]
    out = []
    for m in np.unique(mode):
        means: list[Floats] = []
        for k in np.unique(sets[mode == m]):
            mine = (mode == m) & (sets == k)
            if mine.sum() >= LEAST_WINDOWS:
                means.append(np.where(mine, weight, 0.0) / weight[mine].sum())
        out += [_predict(SPEED, c, day, number, LEVEL_DOUBT) for c in means]
        out += [_predict(DIFFERENCE, b - a, day, number, 0.0) for a, b in combinations(means, 2)]
    return out


def _predict(kind: str, contrast: Floats, day: LeftOut, number: int, common: float) -> Prediction:
    surfaces = INTERVAL_FACTOR**2 * (contrast @ day.model_covariance @ contrast)
    sd = float(np.sqrt(surfaces + contrast @ day.day_covariance @ contrast + common**2))
    return Prediction(kind, float(contrast @ day.error) / sd, sd, number)


def clustered_share(held: np.ndarray, cluster: np.ndarray, expected: float) -> tuple[float, float | None, float | None]:
    """Share of True, and its 90 % interval by Student's t between clusters, within 0..1; blank with too few.

    Never less doubt than as many independent cases of the `expected` share have: all may hold by luck.
    """
    share = float(held.mean())
    clusters = np.unique(cluster, return_inverse=True)[1]
    count = int(clusters.max()) + 1
    if count < LEAST_CLUSTERS:
        return share, None, None
    sums = np.bincount(clusters, weights=held - share)
    variance = max(count / (count - 1) * float(sums @ sums) / len(held) ** 2, expected * (1.0 - expected) / len(held))
    reach = float(stats.t.ppf(0.95, count - 1)) * np.sqrt(variance)
    return share, max(0.0, share - reach), min(1.0, share + reach)

"""What each day says by itself: for finding a sensor that was knocked, swapped or fouled in mid-season."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.wind_fit import BOAT, CHAIN, DayEvidence
from pipeline.calibration.wind_solve import Solution
from pipeline.calibration.wind_symmetry import DaySymmetry

SCHEMA: dict[str, pl.DataType] = {
    "day": pl.Date(),
    "parameter": pl.String(),
    "estimate": pl.Float64(),
    "sd": pl.Float64(),
}
# Twist of a day (deg of the true wind's direction) by which its symmetry is weighed against its wind. A fixed figure: a
# twist estimated over the season would grow with the very step that is looked for. Common practice, no source.
USUAL_TWIST_DEG = 0.4
# Few boards may all be odd ones (another trim, a set logged wrongly), which their own spread does not show: standard
# deviation (deg) of one board, falling with their number. From known boats: days of two boards erred 1.7 times as much
# as their own error says, of ten and more no more than it.
ODD_BOARD_SD_DEG = 1.5
# Symmetry further from the day's own wind than this many standard deviations counts for less: boards that a crew sailed
# at different angles on purpose. Both answer alike to a real change, so that none is hidden by it.
FAR_SD = 2.5
# Days that say less than this of a parameter are left out.
MOST_SD = {"awa_offset_deg": 5.0, "upwash_deg": 5.0, "aws_factor": 0.1}


def by_day(
    found: DayEvidence,
    symmetry: DaySymmetry,
    answer: Solution,
    in_use: Floats,
    days: pl.Series,
    parameters: Sequence[str],
) -> pl.DataFrame:
    """`day, parameter, estimate, sd`: each parameter from one day alone, all others held at the season's values.

    `in_use` by `CHAIN`; the estimate is absolute. `sd` is the estimate's own error, wind twist included: by how
    much days differ beside it (waves, crew) is for the reader to add. The offset includes the day's symmetry; an
    unevenness of the whole season is in it unseen, as it does not matter for a change.
    """
    rows = []
    for d, day in enumerate(days.to_list()):
        for name in parameters:
            j = BOAT.index(name)
            precision = float(found.precision[d, j, j])
            rest = found.weighed[d, j] - found.precision[d, j] @ answer.mean
            pull = float(rest + precision * answer.mean[j])
            if name == "awa_offset_deg":
                precision, pull = _with_symmetry(precision, pull, symmetry, d)
            if precision > MOST_SD[name] ** -2:
                rows.append((day, name, in_use[CHAIN.index(name)] + pull / precision, precision**-0.5))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort("day", "parameter")


def _with_symmetry(precision: float, pull: float, symmetry: DaySymmetry, day: int) -> tuple[float, float]:
    """Precision and precision x estimate of the day's offset, its beats' and runs' symmetry added."""
    at = np.flatnonzero(symmetry.day == day)
    turn, z = symmetry.turn[at], symmetry.offset_deg[at]
    own = symmetry.sd_deg[at] ** 2 + (ODD_BOARD_SD_DEG / symmetry.boards[at]) ** 2
    covariance = np.diag(own) + USUAL_TWIST_DEG**2 * np.outer(turn, turn)
    if precision > 0.0:
        surprise = ((z - pull / precision) / FAR_SD) ** 2 - 1.0 / precision - np.diag(covariance)
        covariance += np.diag(np.maximum(surprise, 0.0))
    weight = np.linalg.solve(covariance, np.ones(len(at)))
    return precision + float(weight.sum()), pull + float(weight @ z)

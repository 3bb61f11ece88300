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
# Twist of a day by which its symmetry is weighed against its wind (deg). A fixed figure: a twist estimated over the
# season would grow with the very step that is looked for. Common practice, no source.
USUAL_TWIST_DEG = 0.35
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

    `in_use` by `CHAIN`; the estimate is absolute. `sd` is the estimate's own error: by how much days differ beside
    it (twist, waves, crew) is for the reader to add. The offset includes the day's symmetry; an unevenness of the whole
    season is in it unseen, as it does not matter for a change.
    """
    rows = []
    for d, day in enumerate(days.to_list()):
        for name in parameters:
            j = BOAT.index(name)
            precision = found.precision[d, j, j]
            rest = found.weighed[d, j] - found.precision[d, j] @ answer.mean
            pull, own = rest + precision * answer.mean[j], precision
            if name == "awa_offset_deg":
                for i in np.flatnonzero(symmetry.day == d):
                    weight = 1.0 / (symmetry.sd_deg[i] ** 2 + USUAL_TWIST_DEG**2)
                    precision, pull = precision + weight, pull + weight * symmetry.offset_deg[i]
                    own += weight**2 * symmetry.sd_deg[i] ** 2
            if precision > MOST_SD[name] ** -2:
                rows.append((day, name, in_use[CHAIN.index(name)] + pull / precision, own**0.5 / precision))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort("day", "parameter")

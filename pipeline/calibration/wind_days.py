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

    `in_use` by `CHAIN`; the estimate is absolute. The offset includes the day's symmetry, with the days' twist in its
    standard deviation; an unevenness of the whole season is in it unseen, as it does not matter for a change.
    """
    rows = []
    for d, day in enumerate(days.to_list()):
        for name in parameters:
            j = BOAT.index(name)
            precision = found.precision[d, j, j]
            rest = found.weighed[d, j] - found.precision[d, j] @ answer.mean
            pull = rest + precision * answer.mean[j]
            if name == "awa_offset_deg":
                here = np.flatnonzero(symmetry.day == d)
                for i in here:
                    weight = 1.0 / (symmetry.sd_deg[i] ** 2 + answer.twist_sd_deg**2)
                    precision, pull = precision + weight, pull + weight * symmetry.offset_deg[i]
            if precision > MOST_SD[name] ** -2:
                rows.append((day, name, in_use[CHAIN.index(name)] + pull / precision, precision**-0.5))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort("day", "parameter")

"""Which days carry a border: how far it would move without each of them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.diagnostics.borders import KEYS, border_lines
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.without_day import LeftOut

INFLUENCE_SCHEMA: dict[str, pl.DataType] = {**KEYS, "day": pl.Date(), "windows": pl.Int64(), "shift": pl.Float64()}


def influence_table(fit: SeasonFit, left_out: list[LeftOut], crossovers: pl.DataFrame) -> pl.DataFrame:
    """The table `border_influence`: for each border and day, the crossing without the day less the crossing with it.

    In kn or deg as the border's `along`; blank where without the day there is no border left between the two. `windows`
    counts the day's windows of the two sets. At the parameters of the whole season; days are those of `left_out`.
    """
    if not left_out or crossovers.is_empty() or fit.basis is None:
        return pl.DataFrame(schema=INFLUENCE_SCHEMA)
    surfaces = surfaces_without(fit, left_out)
    set_number = fit.basis.seen.set_number
    flown = [np.bincount(set_number[day.rows], minlength=len(fit.sets)) for day in left_out]
    rows: list[tuple[object, ...]] = []
    for line in border_lines(fit, crossovers, surfaces):
        crossings = line.crossings()
        shift = crossings[1:] - crossings[0]
        rows += [
            (*line.key, day.day, int(n[line.a] + n[line.b]), float(s) if np.isfinite(s) else None)
            for day, n, s in zip(left_out, flown, shift, strict=True)
        ]
    return pl.DataFrame(rows, schema=INFLUENCE_SCHEMA, orient="row")


def surfaces_without(fit: SeasonFit, left_out: list[LeftOut]) -> Floats:
    """Log speeds (1 + days, sets, tws, twa): of the whole season, then without each day; NaN out of reach."""
    without = np.stack([fit.log_speed_of(day.mean) for day in left_out])
    return np.concatenate([fit.log_speed[None], without])

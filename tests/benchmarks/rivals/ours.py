"""The project's own surfaces and crossovers, as the chain makes them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.decisions.fit_by_names import fit_by_names
from tests.benchmarks.rivals.seasons import Season

NAME = "ours"


def tables(season: Season) -> dict[str, pl.DataFrame]:
    """`surfaces, best_set, crossovers` (borders at fixed angle only, which all methods have)."""
    fit = fit_by_names(season.windows, season.boat)
    found = cross(fit, season.boat, np.log(fit.draws(DRAWS, SEED)), None, None)
    borders = found["crossovers"].filter(pl.col("mode") == "fixed-angle")
    return {"surfaces": fit.surfaces, "best_set": found["best_set"], "crossovers": borders}

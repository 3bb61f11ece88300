"""The project's own surfaces and crossovers, as the chain makes them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.surfaces.season import fit_season
from tests.benchmarks.rivals.seasons import Season

NAME = "ours"


def tables(season: Season) -> dict[str, pl.DataFrame]:
    """`surfaces, best_set, crossovers` (borders at fixed angle only, which all methods have)."""
    fit = fit_season(season.windows, season.boat)
    found = cross(fit, season.boat, np.log(fit.draws(DRAWS, SEED)), None, None)
    borders = found["crossovers"].filter(pl.col("mode") == "fixed-angle")
    return {"surfaces": fit.surfaces, "best_set": found["best_set"], "crossovers": borders}

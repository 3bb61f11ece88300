"""From a season's fit to its chart: the fastest set everywhere, the borders, and their comparison with the design."""

from __future__ import annotations

from itertools import chain

import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.crossovers.best import best_sets
from pipeline.crossovers.borders import borders_on, lattice_lines
from pipeline.crossovers.comparison import compare
from pipeline.crossovers.made_good import MODES, made_good_line
from pipeline.crossovers.targets import targets
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

DRAWS = 500  # a 5 % chance is then known to within one in a hundred
SEED = 20240229  # any number: the same season gives the same tables


def cross(
    fit: SeasonFit,
    boat: Boat,
    log_draws: Floats,
    designed: pl.DataFrame | None,
    designed_speeds: pl.DataFrame | None,
) -> dict[str, pl.DataFrame]:
    """Tables `best_set`, `crossovers`, `targets` and `design_comparison` of a season; empty where nothing is known.

    `log_draws`: logarithms of `fit.draws(DRAWS, SEED)`.
    """
    rows: list[dict[str, object]] = []
    if fit.log_speed.size:
        lines = chain(lattice_lines(fit, log_draws), (made_good_line(fit, log_draws, mode) for mode in MODES))
        for line in lines:
            rows += borders_on(line, fit.sets)
    crossovers = pl.DataFrame(rows, schema=TABLES["crossovers"].columns, orient="row")
    return {
        "best_set": best_sets(fit, log_draws),
        "crossovers": crossovers,
        "targets": targets(fit),
        "design_comparison": compare(fit, boat, crossovers, log_draws, designed, designed_speeds),
    }

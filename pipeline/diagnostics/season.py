"""All diagnostics of a season, and its best-tenth surfaces, as side tables of the results."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.crossovers.best_tenth import BEST_TENTH_SCHEMA, best_tenth_surfaces
from pipeline.diagnostics.influence import INFLUENCE_SCHEMA, influence_table
from pipeline.diagnostics.intervals import CHECK_SCHEMA, interval_check
from pipeline.diagnostics.residuals import RESIDUALS_SCHEMA, residual_table
from pipeline.diagnostics.tacks import TACKS_SCHEMA, tack_table
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.without_day import leave_days_out

if TYPE_CHECKING:
    from pipeline.decisions.season import Season

SCHEMAS: dict[str, dict[str, pl.DataType]] = {
    "residuals": RESIDUALS_SCHEMA,
    "port_starboard": TACKS_SCHEMA,
    "border_influence": INFLUENCE_SCHEMA,
    "interval_check": CHECK_SCHEMA,
    "surfaces_best_tenth": BEST_TENTH_SCHEMA,
}


def diagnose(season: Season) -> dict[str, pl.DataFrame]:
    """The tables of `SCHEMAS` by name; empty with typed columns where the season has nothing to say."""
    return diagnostics_of(season.fit, season.tables["crossovers"])


def diagnostics_of(fit: SeasonFit, crossovers: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The same from a fit and its borders."""
    if fit.basis is None:
        return {name: pl.DataFrame(schema=schema) for name, schema in SCHEMAS.items()}
    left_out = list(leave_days_out(fit.basis))
    return {
        "residuals": residual_table(fit.basis),
        "port_starboard": tack_table(fit, crossovers),
        "border_influence": influence_table(fit, left_out, crossovers),
        "interval_check": interval_check(fit.basis, left_out),
        "surfaces_best_tenth": best_tenth_surfaces(fit),
    }

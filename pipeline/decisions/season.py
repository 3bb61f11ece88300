"""A season as sailed and as fitted, and every decision table that follows from it."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.campaign import Campaign
from pipeline.crossovers.differences import bordering, set_differences
from pipeline.surfaces.season import SeasonFit


@dataclass(frozen=True, slots=True)
class Season:
    """What the decisions rest on.

    `campaign`: what people wrote. `wind`: samples with wind as `add_true_wind` leaves them; `segments`, `sessions`,
    `windows`: as of `sailing`. `fit` and `log_draws` (draws, sets, tws, twa; NaN out of reach): joint draws of log
    speed on the fit's grid, those that the borders were drawn from. `tables`: the results of `crossovers`, by name.
    `conditions`: `tws_kn, twa_deg, hours` on nodes of 1 kn x 5 deg, see `decisions.conditions`.
    """

    campaign: Campaign
    wind: pl.DataFrame
    segments: pl.DataFrame
    sessions: pl.DataFrame
    windows: pl.DataFrame
    fit: SeasonFit
    log_draws: Floats
    tables: dict[str, pl.DataFrame]
    conditions: pl.DataFrame


def decide(season: Season) -> dict[str, pl.DataFrame]:
    """Every table of decisions, by name; empty with typed columns where the season has nothing to say."""
    from pipeline.decisions.as_sailed import as_sailed
    from pipeline.decisions.changes_and_races import changes_and_races
    from pipeline.decisions.follow_up import follow_up
    from pipeline.decisions.inventory import take_stock

    sailed = as_sailed(season)
    followed = follow_up(season, sailed)
    raced = changes_and_races(season, followed["tag_audit"], sailed)
    flown = raced["race_review"].select(set_a="flown", set_b="fastest_measured").drop_nulls()
    pairs = bordering(season.tables["crossovers"], season.tables["design_comparison"], flown)
    return {
        **raced,
        **take_stock(season),
        **followed,
        "set_differences": set_differences(season.fit, season.log_draws, pairs),
    }

"""Everything about changes of sails: what they cost, when they pay, how the races went, and the crew's card."""

from __future__ import annotations

import polars as pl

from pipeline.decisions.apparent_borders import apparent_borders
from pipeline.decisions.as_sailed import AsSailed, as_sailed
from pipeline.decisions.card import card_of
from pipeline.decisions.change_cost import change_costs_of
from pipeline.decisions.change_pools import pool_changes
from pipeline.decisions.change_review import review_changes
from pipeline.decisions.change_rules import change_rules
from pipeline.decisions.race_review import SEED, count_changes, review_races
from pipeline.decisions.race_stretches import cut_races
from pipeline.decisions.race_tracks import race_tracks
from pipeline.decisions.sail_change_kinds import sail_changes_of
from pipeline.decisions.season import Season
from pipeline.decisions.unseen import with_unseen


def changes_and_races(
    season: Season, audit: pl.DataFrame | None = None, sailed: AsSailed | None = None
) -> dict[str, pl.DataFrame]:
    """Tables `crossovers_apparent`, `change_rules`, `manoeuvres`, `sail_changes`, `race_review`; side tables
    `change_costs`, `race_totals`, `race_tracks`, `change_review`, `card`. `audit`: the table
    `tag_audit`, for doubt in what was flown. `sailed`: of the same season, where it is at hand.
    """
    boat, fit = season.campaign.boat, season.fit
    sailed = as_sailed(season) if sailed is None else sailed
    changes = sail_changes_of(season.segments, boat)
    costs = change_costs_of(sailed, fit, changes, boat.loa_m)
    pooled = pool_changes(costs.sail_changes)
    pieces = cut_races(sailed, season.campaign.races, boat.loa_m)
    draws = with_unseen(fit, season.log_draws, SEED) if len(pieces) and fit.sets else season.log_draws
    review, totals = review_races(season, draws, pieces, audit)
    changes_reviewed = review_changes(fit, draws, pieces, changes, pooled, season.campaign.races)
    apparent = apparent_borders(season)
    rules = change_rules(season, pooled)
    return {
        "crossovers_apparent": apparent,
        "change_rules": rules,
        "manoeuvres": costs.manoeuvres,
        "sail_changes": costs.sail_changes,
        "change_costs": pooled.table,
        "race_review": review,
        "race_totals": count_changes(totals, changes_reviewed),
        "race_tracks": race_tracks(season.wind, season.campaign.races),
        "change_review": changes_reviewed,
        "card": card_of(season, apparent, rules),
    }

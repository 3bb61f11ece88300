"""What a season leaves to follow up: doubtful tags and times, what to test next, broken rules and exceeded limits."""

from __future__ import annotations

import polars as pl

from pipeline.decisions.as_sailed import AsSailed
from pipeline.decisions.beyond_limits import beyond_limits, limit_cells
from pipeline.decisions.change_times import change_times
from pipeline.decisions.fit_by_names import unheard_windows
from pipeline.decisions.paired_test import habits_of
from pipeline.decisions.sail_rules import rule_breaks, sail_kinds
from pipeline.decisions.season import Season
from pipeline.decisions.tag_audit import tag_audit
from pipeline.decisions.test_plan import test_plan
from pipeline.decisions.training_day import training_day

MINUTES_PER_HOUR = 60.0


def follow_up(season: Season, sailed: AsSailed) -> dict[str, pl.DataFrame]:
    """Tables `tag_audit` and `test_plan`, and beside them `unheard_windows`, `change_times`, `training_day`,
    `sail_kinds`, `rule_breaks`, `beyond_limits`, `limit_cells`. `sailed`: of the same season.
    """
    boat, fit = season.campaign.boat, season.fit
    sailed_min = MINUTES_PER_HOUR * float(
        (season.sessions["end"] - season.sessions["start"]).dt.total_microseconds().sum() / 3.6e9
    )
    habits = habits_of(season.windows, sailed_min)
    plan = test_plan(fit, season.log_draws, season.tables["crossovers"], season.conditions, habits)
    return {
        "tag_audit": tag_audit(season.windows, season.segments, fit, boat),
        "unheard_windows": unheard_windows(fit),
        "change_times": change_times(sailed, fit, season.log_draws, season.segments, boat.loa_m),
        "test_plan": plan,
        "training_day": training_day(plan),
        "sail_kinds": sail_kinds(boat),
        "rule_breaks": rule_breaks(boat, season.segments),
        "beyond_limits": beyond_limits(season.wind, season.segments, boat),
        "limit_cells": limit_cells(fit, boat),
    }

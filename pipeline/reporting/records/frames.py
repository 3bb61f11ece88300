"""The tables of a run with every one present: a table not handed over is empty with its typed columns."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.crossovers import differences
from pipeline.decisions import (
    area_changes,
    beyond_limits,
    card,
    change_pools,
    change_review,
    change_rules,
    change_times,
    chart_gaps,
    design_speeds,
    fit_by_names,
    inventory,
    race_review,
    race_tracks,
    redundancy,
    sail_lists,
    sail_rules,
    tag_audit,
    test_plan,
    training_day,
)
from pipeline.diagnostics.season import SCHEMAS
from pipeline.tables import TABLES

Schema = dict[str, pl.DataType]

_COUNTS: Schema = dict.fromkeys(("changes", "late_changes", "early_changes", "unpaid_changes"), pl.Int64())
_CHANGE: Schema = {"kind": pl.String(), "within": pl.String(), "counted": pl.String(), "error_s": pl.Float64()}
_MANOEUVRE: Schema = {"lost_s": pl.Float64(), "sail_set": pl.String(), "counted": pl.String()}
# The tables beyond the catalogue that the pages show, and those of it with further columns.
DECISIONS: Mapping[str, Schema] = {
    "card": card.SCHEMA,
    "change_rules": TABLES["change_rules"].columns | change_rules.EXTRA,
    "change_costs": change_pools.SCHEMA,
    "sail_changes": TABLES["sail_changes"].columns | _CHANGE,
    "manoeuvres": TABLES["manoeuvres"].columns | _MANOEUVRE,
    "race_review": TABLES["race_review"].columns | race_review.REVIEW_EXTRA,
    "race_totals": race_review.TOTALS | _COUNTS,
    "race_tracks": race_tracks.SCHEMA,
    "set_differences": differences.SCHEMA,
    "change_review": change_review.SCHEMA,
    "tag_audit": TABLES["tag_audit"].columns | tag_audit.BEYOND,
    "unheard_windows": fit_by_names.UNHEARD,
    "change_times": change_times.SCHEMA,
    "test_plan": TABLES["test_plan"].columns | test_plan.BEYOND,
    "training_day": training_day.SCHEMA,
    "beyond_limits": beyond_limits.BEYOND_SCHEMA,
    "limit_cells": beyond_limits.CELLS_SCHEMA,
    "inventory": TABLES["inventory"].columns | inventory.INVENTORY_EXTRA,
    "inventory_notes": inventory.NOTES_SCHEMA,
    "sail_lists": TABLES["sail_lists"].columns | sail_lists.EXTRA,
    "set_overlap": redundancy.SCHEMA,
    "area_changes": area_changes.SCHEMA,
    "speed_comparison": design_speeds.SCHEMA,
    "chart_gaps": chart_gaps.SCHEMA,
    "rule_breaks": sail_rules.BREAKS_SCHEMA,
}
_SIDE_TABLES: Mapping[str, Schema] = {
    "thresholds": {"name": pl.String(), "value": pl.Float64(), "unit": pl.String(), "why": pl.String()},
    "set_aside": {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "reason": pl.String()},
    **SCHEMAS,
}


def complete(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """`tables` with the missing ones added empty, and the decisions' further columns blank where they are missing."""
    whole = dict(tables)
    for name, table in TABLES.items():
        if name not in whole:
            whole[name] = table.empty()
    for name, schema in _SIDE_TABLES.items():
        if name not in whole:
            whole[name] = pl.DataFrame(schema=schema)
    for name, schema in DECISIONS.items():
        frame = whole.get(name, pl.DataFrame(schema=schema))
        blank = [pl.lit(None, kind).alias(column) for column, kind in schema.items() if column not in frame.columns]
        whole[name] = frame.with_columns(blank)
    return whole


def window_minutes() -> pl.Expr:
    """Length of a window or segment in minutes."""
    return (pl.col("end") - pl.col("start")).dt.total_microseconds() / 60e6

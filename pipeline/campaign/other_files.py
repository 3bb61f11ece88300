"""The optional files: settings_log.csv, races.csv, exclude.csv, conditions.csv."""

from __future__ import annotations

from datetime import UTC, tzinfo
from pathlib import Path

import polars as pl

from pipeline.campaign.csv_table import read_csv_table
from pipeline.campaign.settings import Boat
from pipeline.campaign.stamps import load_zone
from pipeline.campaign.toml_reading import did_you_mean
from pipeline.problems import Problem

_TIME = pl.Datetime("us")
# Items whose values the chain knows; any other item, and any other value, is kept as it stands.
KNOWN_VALUES: dict[str, tuple[str, ...]] = {
    "sea": ("flat", "moderate", "rough"),
    "hull": ("cleaned",),
    "sensor": ("changed",),
    "engine": ("on", "off"),
}
MAX_HOURS = 1e6

SETTINGS_LOG_SCHEMA: dict[str, pl.DataType] = {
    "time": _TIME,
    "item": pl.String(),
    "value": pl.String(),
    "unit": pl.String(),
    "note": pl.String(),
    "line": pl.Int64(),
}
RACES_SCHEMA: dict[str, pl.DataType] = {"name": pl.String(), "start": _TIME, "finish": _TIME, "line": pl.Int64()}
EXCLUDE_SCHEMA: dict[str, pl.DataType] = {"start": _TIME, "finish": _TIME, "reason": pl.String(), "line": pl.Int64()}
CONDITIONS_SCHEMA: dict[str, pl.DataType] = {
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "hours": pl.Float64(),
    "line": pl.Int64(),
}


def read_settings_log(path: Path, boat: Boat | None) -> tuple[pl.DataFrame, list[Problem]]:
    """What else changed aboard, sorted by (time, line), items and known values in lower case; `value` stays text."""
    table = read_csv_table(path, ("time", "item", "value"), ("unit", "note"))
    rows = []
    for row in table.rows:
        moment = table.time(row, "time", _zone(boat))
        item, value = row.cells["item"].casefold(), row.cells["value"]
        if not item:
            table.report(row.line, "item is missing.")
        allowed = KNOWN_VALUES.get(item)
        if allowed and value.casefold() in allowed:
            value = value.casefold()
        elif allowed:
            what = f"'{value[:40]}' is no value of '{item}' that the chain can use ({', '.join(allowed)}); it is kept."
            table.report(row.line, what + did_you_mean(value, allowed), fatal=False)
        if moment is not None and item:
            rows.append((moment, item, value, row.cells["unit"], row.cells["note"], row.line))
    return pl.DataFrame(rows, schema=SETTINGS_LOG_SCHEMA, orient="row").sort("time", "line"), table.problems


def read_races(path: Path, boat: Boat | None) -> tuple[pl.DataFrame, list[Problem]]:
    """Races sorted by start; a start that is not before its finish is fatal, one race within another a warning."""
    frame, problems = _spans(path, boat, "name", RACES_SCHEMA)
    earlier = frame.with_columns(before=pl.col("finish").cum_max().shift(1))
    for row in earlier.filter(pl.col("start") < pl.col("before")).iter_rows(named=True):
        what = f"race '{row['name'][:40]}' starts before the race in front of it has finished."
        problems.append(Problem(path.name, what, row["line"], fatal=False))
    return frame, problems


def read_exclude(path: Path, boat: Boat | None) -> tuple[pl.DataFrame, list[Problem]]:
    """Times not to be used, sorted by start; a start that is not before its finish is fatal."""
    return _spans(path, boat, "reason", EXCLUDE_SCHEMA)


def read_conditions(path: Path) -> tuple[pl.DataFrame, list[Problem]]:
    """Conditions to judge the inventory by: TWS 0..100 kn, TWA 0..180 deg, hours."""
    table = read_csv_table(path, ("tws_kn", "twa_deg", "hours"))
    rows = []
    for row in table.rows:
        tws_kn = table.number(row, "tws_kn", 0.0, 100.0)
        twa_deg = table.number(row, "twa_deg", 0.0, 180.0)
        hours = table.number(row, "hours", 0.0, MAX_HOURS)
        if tws_kn is not None and twa_deg is not None and hours is not None:
            rows.append((tws_kn, twa_deg, hours, row.line))
    frame = pl.DataFrame(rows, schema=CONDITIONS_SCHEMA, orient="row")
    if table.rows and not table.problems and not frame["hours"].sum() > 0.0:
        table.report(None, "gives no hours at all.")
    return frame, table.problems


def _spans(
    path: Path, boat: Boat | None, label: str, schema: dict[str, pl.DataType]
) -> tuple[pl.DataFrame, list[Problem]]:
    table = read_csv_table(path, ("start", "finish"), (label,))
    rows = []
    for row in table.rows:
        start, finish = table.time(row, "start", _zone(boat)), table.time(row, "finish", _zone(boat))
        if start is None or finish is None:
            continue
        if start >= finish:
            table.report(
                row.line, f"starts at {row.cells['start'][:40]}, not before its finish {row.cells['finish'][:40]}."
            )
        else:
            rows.append({label: row.cells[label], "start": start, "finish": finish, "line": row.line})
    return pl.DataFrame(rows, schema=schema, orient="row").sort("start", "finish", "line"), table.problems


def _zone(boat: Boat | None) -> tzinfo:
    return (load_zone(boat.instruments.time_zone) if boat else None) or UTC

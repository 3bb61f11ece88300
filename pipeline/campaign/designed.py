"""The designer's chart: `designed.csv` (areas) and `designed_speeds.csv` (predicted speeds)."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.campaign.csv_table import CsvTable, Row, read_csv_table
from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.campaign.toml_reading import did_you_mean
from pipeline.problems import Problem

MAX_TWS_KN = 100.0
MAX_BSP_KN = 70.0
MIN_VERTICES = 3

DESIGNED_SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "part": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "line": pl.Int64(),
}
DESIGNED_SPEEDS_SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "bsp_kn": pl.Float64(),
    "line": pl.Int64(),
}


def read_designed(path: Path, boat: Boat | None, *, strict: bool = False) -> tuple[pl.DataFrame, list[Problem]]:
    """Vertices of the designed areas in the order of the file, columns of `DESIGNED_SCHEMA`, and every problem found.

    `part` tells the rings of one set apart (as written). TWS 0..100 kn, TWA 0..180 deg. Rows of a set that the boat
    cannot fly are left out with a problem, fatal only where `strict`; a ring of fewer than three vertices is fatal.
    """
    table = read_csv_table(path, ("sail_set", "part", "tws_kn", "twa_deg"))
    judged: dict[str, bool] = {}
    rows = []
    for row in table.rows:
        known = _known_set(table, row, boat, judged, strict)
        tws_kn = table.number(row, "tws_kn", 0.0, MAX_TWS_KN)
        twa_deg = table.number(row, "twa_deg", 0.0, 180.0)
        if known and tws_kn is not None and twa_deg is not None:
            rows.append((row.cells["sail_set"], row.cells["part"], tws_kn, twa_deg, row.line))
    frame = pl.DataFrame(rows, schema=DESIGNED_SCHEMA, orient="row")
    _check_rings(table, frame)
    return frame, table.problems


def _check_rings(table: CsvTable, frame: pl.DataFrame) -> None:
    rings: dict[tuple[str, str], dict[tuple[float, float], int]] = {}
    for sail_set, part, tws_kn, twa_deg, line in frame.iter_rows():
        rings.setdefault((sail_set, part), {}).setdefault((tws_kn, twa_deg), line)
    for (sail_set, part), vertices in rings.items():
        if len(vertices) < MIN_VERTICES:
            ring = f"ring '{part[:40]}' of set '{sail_set[:60]}'"
            what = f"{ring} has {len(vertices)} different vertices; an area needs three."
            table.report(min(vertices.values()), what)


def read_designed_speeds(path: Path, boat: Boat | None, *, strict: bool = False) -> tuple[pl.DataFrame, list[Problem]]:
    """Predicted speeds, columns of `DESIGNED_SPEEDS_SCHEMA`, sorted by set, TWS and TWA, and every problem found.

    Two speeds of one set at one point: fatal unless they are equal (then counted once).
    """
    table = read_csv_table(path, ("sail_set", "tws_kn", "twa_deg", "bsp_kn"))
    judged: dict[str, bool] = {}
    seen: dict[tuple[str, float, float], tuple[float, int]] = {}
    for row in table.rows:
        known = _known_set(table, row, boat, judged, strict)
        tws_kn = table.number(row, "tws_kn", 0.0, MAX_TWS_KN)
        twa_deg = table.number(row, "twa_deg", 0.0, 180.0)
        bsp_kn = table.number(row, "bsp_kn", 0.0, MAX_BSP_KN)
        if not known or tws_kn is None or twa_deg is None or bsp_kn is None:
            continue
        at = (row.cells["sail_set"], tws_kn, twa_deg)
        first_kn, line = seen.setdefault(at, (bsp_kn, row.line))
        if first_kn != bsp_kn:
            table.report(
                row.line, f"gives {bsp_kn:g} kn where line {line} gives {first_kn:g} kn for the same set and wind."
            )
    rows = [(*at, bsp_kn, line) for at, (bsp_kn, line) in seen.items()]
    frame = pl.DataFrame(rows, schema=DESIGNED_SPEEDS_SCHEMA, orient="row")
    return frame.sort("sail_set", "tws_kn", "twa_deg"), table.problems


def _known_set(table: CsvTable, row: Row, boat: Boat | None, judged: dict[str, bool], strict: bool) -> bool:
    name = row.cells["sail_set"]
    if name not in judged:
        judged[name] = boat is None or sails_of(name, boat) is not None
        if not judged[name] and boat is not None:
            named = [s.name for s in boat.sail_sets]
            what = f"'{name[:60]}' is no sail set of boat.toml" if name else "sail_set is missing"
            left = "" if strict else " Its rows are left out."
            table.report(row.line, f"{what}.{did_you_mean(name, [*named, *boat.sails])}{left}", fatal=strict)
    return judged[name]

"""The sail log: what the crew wrote of hoists, drops, furls and reefs, in the codes of the boat."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.campaign.csv_table import CsvTable, Row, read_csv_table
from pipeline.campaign.sail_names import SailNames
from pipeline.campaign.settings import Boat
from pipeline.campaign.stamps import load_zone
from pipeline.campaign.toml_reading import did_you_mean
from pipeline.problems import Problem

ACTIONS = ("hoist", "drop", "furl", "unfurl", "reef", "shake", "flying")
# Written twice, these may mean two reefs at once; the time line decides by the rest of the log.
REEFING = ("reef", "shake")
SAIL_LOG_SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("us"),
    "action": pl.String(),
    "sail": pl.String(),
    "codes": pl.List(pl.String()),
    "note": pl.String(),
    "line": pl.Int64(),
}


def read_sail_log(path: Path, boat: Boat | None, *, strict: bool = False) -> tuple[pl.DataFrame, list[Problem]]:
    """Entries of the sail log, sorted by (time, line), and every problem found.

    Columns as in `SAIL_LOG_SCHEMA`: `time` naive UTC, `sail` as written, `codes` the sails meant, null where a sail is
    not understood (then the time line is `unknown` until the next `flying`). Reefs carry the mainsail's code. An entry
    given twice counts once, but for reefs, whose repetitions are kept for the time line to judge. A sail that
    `boat.toml` does not know is fatal only where `strict` (for `check`); an entry without a readable time or action
    always is. Without a boat (its file is unusable) names are not judged.
    """
    table = read_csv_table(path, ("time", "action", "sail"), ("note",))
    zone = (load_zone(boat.instruments.time_zone) if boat else None) or UTC
    names = SailNames.of(boat) if boat else None
    seen: dict[tuple[Any, ...], int] = {}
    entries: list[dict[str, Any]] = []
    for row in table.rows:
        moment = table.time(row, "time", zone)
        action = _action(table, row)
        if moment is None or action is None:
            continue
        codes = _codes(table, row, action, names, boat, strict)
        key = (
            moment,
            action,
            row.cells["sail"].casefold() if codes is None else tuple(sorted(codes)),
            row.cells["note"],
        )
        first = seen.setdefault(key, row.line)
        if first != row.line:
            if action not in REEFING:
                table.report(row.line, f"repeats the entry of line {first}; it counts once.", fatal=False)
                continue
            what = f"repeats the entry of line {first}; it counts as another reef only where the log has both undone."
            table.report(row.line, what, fatal=False)
        entries.append(_entry(row, moment, action, codes))
    columns: dict[str, Any] = {name: [entry[name] for entry in entries] for name in SAIL_LOG_SCHEMA}
    columns["codes"] = _lists(columns["codes"])
    frame = pl.DataFrame(columns, schema=SAIL_LOG_SCHEMA).sort("time", "line")
    return frame, table.problems


def _lists(values: list[list[str] | None]) -> pl.Series:
    """A column of lists, of which there are few: each is made once."""
    keys = [None if v is None else tuple(v) for v in values]
    place = {key: i for i, key in enumerate(dict.fromkeys(keys))}
    distinct = pl.Series([None if key is None else list(key) for key in place], dtype=pl.List(pl.String()))
    return distinct.gather(pl.Series([place[key] for key in keys], dtype=pl.UInt32()))


def _entry(row: Row, moment: datetime, action: str, codes: list[str] | None) -> dict[str, Any]:
    cells = row.cells
    return {
        "time": moment,
        "action": action,
        "sail": cells["sail"],
        "codes": codes,
        "note": cells["note"],
        "line": row.line,
    }


def _action(table: CsvTable, row: Row) -> str | None:
    written = row.cells["action"]
    action = written.casefold()
    if action in ACTIONS:
        return action
    what = f"action '{written[:40]}' is unknown" if written else "action is missing"
    table.report(row.line, f"{what}; the actions are {', '.join(ACTIONS)}.{did_you_mean(action, ACTIONS)}")
    return None


def _codes(
    table: CsvTable, row: Row, action: str, names: SailNames | None, boat: Boat | None, strict: bool
) -> list[str] | None:
    text = row.cells["sail"]
    if names is None or boat is None:
        return []
    if action in ("reef", "shake"):
        return _reefed_sail(table, row, names, boat)
    if not text and action != "flying":
        table.report(row.line, f"'{action}' names no sail.")
        return None
    codes, strange = names.resolve(text)
    if not strange:
        return codes
    unknown = " ".join(strange) if len(strange) < len(text.split()) else text
    consequence = "" if strict else " The set is 'unknown' from here to the next 'flying'."
    table.report(
        row.line,
        f"sail '{unknown[:60]}' is not in boat.toml, neither as a code nor as an alias."
        f"{names.nearest(unknown)}{consequence}",
        fatal=strict,
    )
    return None


def _reefed_sail(table: CsvTable, row: Row, names: SailNames, boat: Boat) -> list[str]:
    """A reef is the mainsail's whatever stands beside it; anything but the mainsail's name is remarked on."""
    main = [] if boat.mainsail is None else [boat.mainsail]
    text = row.cells["sail"]
    if text and names.resolve(text) != (main, []):
        table.report(
            row.line,
            f"'{row.cells['action']}' names '{text[:40]}'; it is taken as a reef of the mainsail.",
            fatal=False,
        )
    return main

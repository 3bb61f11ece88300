"""A sail log with the audit's findings in it, for a person to read, change and accept. Nothing uses it by itself.

Every change stands as a whole statement (`flying`, reefs a second later), so that a corrected stretch cannot upset what
follows it. The notes say what is the crew's and what is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.campaign.sail_sets import reefs_of, sails_of
from pipeline.campaign.settings import UNKNOWN, UNLOGGED, Boat
from pipeline.decisions.change_times import MOVED_VERDICTS

SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("us"),
    "action": pl.String(),
    "sail": pl.String(),
    "note": pl.String(),
}
# A logged change that a finding begins or ends with is the finding's affair, not the change times'.
SAME_MOMENT = timedelta(seconds=60)
# Only names that are likelier than all else together are put in.
LEAST_CHANCE = 0.5


@dataclass(frozen=True, slots=True)
class Stretch:
    """One set from `start` to `end`, and what the suggested log should say of it."""

    start: datetime
    end: datetime
    sail_set: str
    note: str = ""


def suggested_log(segments: pl.DataFrame, audit: pl.DataFrame, changes: pl.DataFrame, boat: Boat) -> pl.DataFrame:
    """Rows `time, action, sail, note` of a sail log that tags the likelier sets at the likelier times.

    `segments` of the time line, `audit` and `changes`: the tables `tag_audit` (with `chance`) and `change_times`.
    Stretches whose set is not known are left out, as are times without samples; a set sailed without its mainsail is
    stated with it, as its name does not tell (the note says that it was doubtful).
    """
    audit = audit.filter(pl.col("chance") >= LEAST_CHANCE)
    stretches = _as_tagged(segments, boat)
    stretches = _moved(stretches, audit, changes)
    for row in audit.sort("chance").iter_rows(named=True):
        stretches = _renamed(stretches, row)
    rows: list[tuple[datetime, str, str, str]] = []
    before: Stretch | None = None
    for now in stretches:
        follows = before is not None and before.end == now.start
        if not (follows and before is not None and before.sail_set == now.sail_set and not now.note):
            rows += _statement(now, boat)
        before = now
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def write_suggested_log(log: pl.DataFrame, file: Path) -> None:
    """Write the log in the form of `sail_log.csv`, times in UTC. A file that exists is left: `FileExistsError`."""
    stamped = log.with_columns(pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    with file.open("x", encoding="utf-8") as new:
        new.write(stamped.write_csv())


def _as_tagged(segments: pl.DataFrame, boat: Boat) -> list[Stretch]:
    out: list[Stretch] = []
    reasons = segments["reason"].to_list() if "reason" in segments.columns else [None] * segments.height
    rows = segments.with_columns(pl.Series("reason", reasons, dtype=pl.String)).sort("start")
    for start, end, name, reason in rows.select("start", "end", "sail_set", "reason").iter_rows():
        if name in (UNLOGGED, UNKNOWN) or sails_of(name, boat) is None:
            continue
        last = out[-1] if out else None
        if last is not None and last.end == start and last.sail_set == name:
            out[-1] = replace(last, end=end)
        else:
            out.append(Stretch(start, end, name, f"doubtful: {reason}" if reason else ""))
    return out


def _moved(stretches: list[Stretch], audit: pl.DataFrame, changes: pl.DataFrame) -> list[Stretch]:
    edges = [t for row in audit.select("start", "end").iter_rows() for t in row]
    out = list(stretches)
    for row in changes.filter(pl.col("verdict").is_in(MOVED_VERDICTS)).iter_rows(named=True):
        if any(abs(row["time"] - edge) <= SAME_MOMENT for edge in edges):
            continue
        k = next((i for i, s in enumerate(out) if s.start == row["time"] and s.sail_set == row["to_set"]), None)
        if not k:
            continue
        when = row["likelier"].replace(microsecond=0)
        old, new = out[k - 1], out[k]
        if not old.start < when < new.end:
            continue
        note = f"logged at {row['time']:%H:%M:%S}; by the speeds {row['verdict']}, odds {_odds(row['odds'])}"
        out[k - 1] = replace(old, end=when)
        out[k] = replace(new, start=when, note="; ".join(n for n in (note, new.note) if n))
    return out


def _renamed(stretches: Sequence[Stretch], row: dict) -> list[Stretch]:
    """The stretches with one finding in them."""
    out: list[Stretch] = []
    note = f"logged as {row['logged']}; by the speeds {row['likelier']}, odds {_odds(row['odds'])}"
    for s in stretches:
        first = max(s.start, row["start"].replace(microsecond=0))
        last = min(s.end, row["end"].replace(microsecond=0))
        if first >= last or s.sail_set != row["logged"]:
            out.append(s)
            continue
        if s.start < first:
            out.append(replace(s, end=first))
        out.append(Stretch(first, last, row["likelier"], note))
        if last < s.end:
            out.append(Stretch(last, s.end, s.sail_set, "as logged again"))
    return out


def _statement(s: Stretch, boat: Boat) -> list[tuple[datetime, str, str, str]]:
    whole = (s.start, "flying", " ".join(sails_of(s.sail_set, boat) or ()), s.note)
    reefs = range(1, reefs_of(s.sail_set, boat) + 1)
    return [whole, *((s.start + timedelta(seconds=k), "reef", boat.mainsail or "", "") for k in reefs)]


def _odds(odds: float) -> str:
    return "over 1000:1" if odds > 1000 else f"{odds:.0f}:1" if odds >= 2 else f"{odds:.1f}:1"

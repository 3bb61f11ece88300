"""Drafting `boat.toml` and `sail_log.csv` from what the logs hold, for a person to finish. Text only: nothing is
written."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from pipeline.campaign.boat_file import UNFINISHED
from pipeline.campaign.headings import guessed_columns
from pipeline.channels import BY_NAME

# The sail of a drafted entry: no boat has it, so `check` asks for the true one and `run` tags the time `unknown`.
SAIL_TO_NAME = "TO-DO"


@dataclass(frozen=True, slots=True)
class FoundChannel:
    """One channel seen in the logs. `talkers`: talker or source -> readings, the busiest sensor of several being
    believed."""

    channel: str
    rate_hz: float
    talkers: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class FoundCsv:
    """The layout of one kind of CSV log. `units`: one a heading where the file has a row of units; `time_format` as in
    `boat.toml`, `unsure_time` where day and month could be the other way round."""

    files: str
    headings: tuple[str, ...]
    delimiter: str = ","
    decimal: str = "."
    units: tuple[str, ...] = ()
    time_format: str = "auto"
    unsure_time: bool = False


@dataclass(frozen=True, slots=True)
class LogSummary:
    """What was found in a folder of logs.

    `undated` are the names of logs without a date; `sessions` start and end, naive UTC; `transducers` XDR names that
    are no channel of the catalogue; `remarks` sentences on signs and the like ("heel seems positive to port").
    """

    logs: int
    channels: tuple[FoundChannel, ...] = ()
    csv: tuple[FoundCsv, ...] = ()
    undated: tuple[str, ...] = ()
    sessions: tuple[tuple[datetime, datetime], ...] = ()
    transducers: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def draft_campaign(folder: Path, summary: LogSummary) -> tuple[str, str]:
    """Texts of `boat.toml` and `sail_log.csv`, both readable as they stand; each value to be filled in is marked so."""
    return _boat(folder, summary), _sail_log(summary)


def _boat(folder: Path, summary: LogSummary) -> str:
    parts = [
        _head(summary),
        f"""\
[boat]
name = {_quoted(folder.resolve().name.strip() or "boat")}  # {UNFINISHED}
loa_m = 12.0  # {UNFINISHED}: length over all
""",
        _instruments(summary),
        """\
[calibration]  # corrections of the instruments; leave as it is until the reports propose better
boat_speed_factor = 1.0
heading_offset_deg = 0.0
awa_offset_deg = 0.0
aws_factor = 1.0
""",
        f"""\
# One table for each sail, the codes as the crew writes them.  {UNFINISHED}
[sails.MN]
kind = "mainsail"
station = "mast"
area_m2 = 60.0  # {UNFINISHED}

[sails.J1]
kind = "headsail"
station = "forestay"
area_m2 = 45.0  # {UNFINISHED}
aliases = []  # other names in the sail log

[sails.G1]
kind = "spinnaker"
station = "bowsprit"
area_m2 = 120.0  # {UNFINISHED}

# Combinations that are raced as one; others get a name made of their codes.
# [[sail_sets]]
# name = "G1+ST"
# sails = ["MN", "G1", "ST"]
""",
        _channels(summary),
        *(_csv(layout, len(summary.csv) > 1) for layout in summary.csv),
    ]
    return "\n".join(part for part in parts if part)


def _head(summary: LogSummary) -> str:
    lines = [f"Drafted from {summary.logs} log files. Every line marked {UNFINISHED} needs a person."]
    if summary.sessions:
        hours = sum((end - start).total_seconds() for start, end in summary.sessions) / 3600.0
        first, last = min(s for s, _ in summary.sessions), max(e for _, e in summary.sessions)
        lines.append(
            f"Sessions: {len(summary.sessions)}, {hours:.1f} h, {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC."
        )
    for found in summary.channels:
        known = BY_NAME.get(found.channel)
        talkers = ", ".join(f"{name} ({count})" for name, count in found.talkers)
        unit = f" [{known.unit}]" if known else ""
        lines.append(f"  {found.channel}{unit} at {found.rate_hz:.2g} Hz" + (f" from {talkers}" if talkers else ""))
    missing = [c for c in ("awa", "aws", "bsp") if c not in {f.channel for f in summary.channels}]
    if missing and summary.channels:
        lines.append(f"Not found: {', '.join(missing)}.")
    return _comment([*lines, *summary.remarks])


def _instruments(summary: LogSummary) -> str:
    lines = [
        "[instruments]",
        f"wind_sensor_height_m = 18.0  # {UNFINISHED}: above the waterline",
        'time_zone = "UTC"  # of times without a zone in CSV logs and in the sail log',
    ]
    if not any(f.channel in ("variation", "hdg_true") for f in summary.channels):
        lines.append('variation_deg = "auto"  # from position and date, as the logs hold none')
    if summary.undated:
        day = min((s.date() for s, _ in summary.sessions if s.year > 1970), default=date(2000, 1, 1)).isoformat()
        lines.append(f"[instruments.start_date]  # {UNFINISHED}: the day each of these logs begins, they hold none")
        lines += [f"{_quoted(name)} = {day}" for name in dict.fromkeys(summary.undated)]
    return "\n".join(lines) + "\n"


def _channels(summary: LogSummary) -> str:
    rivals = [f for f in summary.channels if len(f.talkers) > 1]
    if not rivals and not summary.transducers:
        return ""
    lines = ["[channels]"]
    if summary.transducers:
        pairs = ", ".join(f'{_quoted(t)} = "heel"' for t in dict.fromkeys(summary.transducers))
        lines += [*_comment_lines([f"transducers = {{ {pairs} }}  # which channel each is, if one of the catalogue"])]
    for group in dict.fromkeys(BY_NAME[f.channel].group for f in rivals if f.channel in BY_NAME):
        counts: dict[str, int] = {}
        for found in rivals:
            if found.channel in BY_NAME and BY_NAME[found.channel].group == group:
                for name, count in found.talkers:
                    counts[name] = counts.get(name, 0) + count
        listed = ", ".join(f"{n} ({c})" for n, c in sorted(counts.items(), key=lambda nc: (-nc[1], nc[0])))
        best = min(counts, key=lambda n: (-counts[n], n))
        lines += _comment_lines([f"talkers.{group} = {_quoted(best)}  # several sensors: {listed}"])
    return "\n".join(lines) + "\n"


def _csv(layout: FoundCsv, one_of_several: bool) -> str:
    table = "[[csv]]" if one_of_several else "[csv]"
    lines = [
        table,
        f"files = {_quoted(layout.files)}",
        f"delimiter = {_quoted(layout.delimiter)}",
        f"decimal = {_quoted(layout.decimal)}",
        f"units_row = {'true' if layout.units else 'false'}",
        f"time_format = {_quoted(layout.time_format)}"
        + (f"  # {UNFINISHED}: day and month could be the other way round" if layout.unsure_time else ""),
        f"[csv.columns]  # {UNFINISHED}: guessed from the headings",
    ]
    guessed = {column.column: column for column in guessed_columns(layout.headings, layout.units)}
    for heading in layout.headings:
        column = guessed.pop(heading, None)
        if column is None:
            lines += _comment_lines([f"not guessed: {heading}"])
        elif column.unit is None:
            lines.append(f"{column.channel} = {_quoted(heading)}")
        else:
            lines.append(f"{column.channel} = {{ column = {_quoted(heading)}, unit = {_quoted(column.unit)} }}")
    return "\n".join(lines) + "\n"


def _sail_log(summary: LogSummary) -> str:
    lines = ["time,action,sail,note"]
    lines += [
        f'{start:%Y-%m-%dT%H:%M:%SZ},flying,{SAIL_TO_NAME},"session to {end:%Y-%m-%d %H:%M} UTC: name the sails"'
        for start, end in sorted(summary.sessions)
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's, but for the delete character."""
    clean = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(clean, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment_lines(lines: Iterable[str]) -> list[str]:
    """Comments; control characters, which no comment may hold, become spaces."""
    return ["# " + re.sub(r"[\x00-\x1f\x7f]|[\ud800-\udfff]", " ", line) for line in lines]


def _comment(lines: Sequence[str]) -> str:
    return "\n".join(_comment_lines(lines)) + "\n"

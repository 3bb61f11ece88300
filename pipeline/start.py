"""The first look at a folder of logs: what is in them, and drafts of the two files that a person must finish."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.campaign.campaign import BOAT_FILE, CSV_FILES, LOGS_FOLDER, list_logs
from pipeline.campaign.draft import FoundChannel, FoundCsv, LogSummary, draft_campaign
from pipeline.campaign.headings import guessed_columns
from pipeline.campaign.settings import CsvLayout
from pipeline.channels import BY_NAME
from pipeline.ingest import csv_lines
from pipeline.ingest.csv_logs import DELIMITERS, HEADING_WITHIN_LINES, decode_csv
from pipeline.ingest.csv_times import EPOCH_FLOOR_S, US_PER_S, read_stamps
from pipeline.ingest.log_files import UnreadableLog, log_name, plain_name, read_content, share_of_sentences
from pipeline.ingest.nmea0183 import decode_nmea
from pipeline.ingest.readings import DecodedLog
from pipeline.problems import Problem, UnusableInput
from pipeline.sailing.sensor_sign import LEAST_HEEL_DEG, is_contrary, sign_votes
from pipeline.sailing.sessions import find_sessions
from pipeline.units import unit_named

# Files of a campaign that are no logs.
OWN_FILES = (BOAT_FILE, *CSV_FILES)
SNIFF_BYTES = 1 << 15
SNIFF_ROWS = 200
# Ways in which loggers write times beside those that `auto` reads, tried in this order; of a pair that differs only in
# the order of day and month the first is taken where both fit, and marked as unsure.
TIME_FORMATS = tuple(
    f"{day}{between}{clock}"
    for day in (
        "%d.%m.%Y",
        "%d/%m/%Y",
        "%m/%d/%Y",
        "%d-%m-%Y",
        "%d-%b-%Y",
        "%d %b %Y",
        "%d.%m.%y",
        "%d/%m/%y",
        "%m/%d/%y",
    )
    for between in (" ", "T", ", ")
    for clock in ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p")
)


@dataclass(frozen=True, slots=True)
class StartResult:
    """What was found (lines to show), which files were written, which were there and were left."""

    found: tuple[str, ...]
    written: tuple[Path, ...]
    left: tuple[Path, ...]


@dataclass(slots=True)
class _Tally:
    """What the logs looked at so far hold."""

    readings: dict[str, dict[str, int]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(int)))
    steps_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    times: list[pl.Series] = field(default_factory=list)
    undated: list[str] = field(default_factory=list)
    layouts: dict[tuple[str, ...], FoundCsv] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def add(self, log: DecodedLog) -> None:
        """Count the readings of one log."""
        for frame in log.readings.values():
            for channel in frame.columns[2:]:
                fresh = frame.filter(pl.col(channel).is_not_null())
                if fresh.is_empty():
                    continue
                counts = dict(fresh.group_by("source").len().iter_rows())
                for source, count in counts.items():
                    self.readings[channel][source] += count
                # The rate of a channel is that of its busiest sentence; several sentences together would look faster.
                busiest = min(counts, key=lambda s: (-counts[s], s))
                step = fresh.filter(pl.col("source") == busiest)["time"].diff().drop_nulls().dt.total_microseconds()
                if step.len():
                    self.steps_s[channel].append(float(step.median() or 0.0) / 1e6)
            self.times.append(frame["time"])


def draft_files(folder: Path, progress: Callable[[str], None] | None = None) -> StartResult:
    """Look at a folder's logs and write drafts of `boat.toml` and `sail_log.csv` where there are none.

    The logs are those below `folder/logs`, or in `folder` itself where there is no such folder.
    Raises `UnusableInput` where there is no log or none that can be read.
    """
    say = progress or (lambda _: None)
    logs, problems, place = _logs(folder)
    tally = _Tally()
    for number, path in enumerate(logs, 1):
        name = log_name(path, place)
        say(f"looking at log {number} of {len(logs)}: {name}")
        try:
            _look(path, name, tally)
        except (UnreadableLog, ValueError) as error:
            problems.append(Problem(path.relative_to(folder).as_posix(), str(error)))
    if not tally.readings:
        raise UnusableInput(problems or [Problem(f"{LOGS_FOLDER}/", "holds no log with readings in it")])
    summary = _summary(len(logs), tally, problems)
    return _write(folder, summary)


def _logs(folder: Path) -> tuple[tuple[Path, ...], list[Problem], Path]:
    """The logs below `folder`/logs; where there is no such folder, the files of `folder` itself, with a remark."""
    logs, problems = list_logs(folder)
    if (folder / LOGS_FOLDER).exists() or not folder.is_dir():
        return logs, problems, folder / LOGS_FOLDER
    loose = tuple(p for p in sorted(folder.iterdir()) if p.is_file() and p.name[0] != "." and p.name not in OWN_FILES)
    if not loose:
        return logs, problems, folder
    what = f"move the logs into {folder / LOGS_FOLDER}: `run` and `check` look for them there"
    return loose, [Problem(f"{LOGS_FOLDER}/", what, fatal=False)], folder


def _look(path: Path, name: str, tally: _Tally) -> None:
    data = read_content(path)
    if share_of_sentences(data) > 0:
        log = decode_nmea(data, transducers={}, season=None)
    else:
        found = _sniff(name, data)
        tally.layouts.setdefault(found.headings, found)
        log = decode_csv(data, _layout(found), time_zone="UTC")
        if not log.used and log.rejected.height:
            raise ValueError(f"no line of this CSV could be read ({log.rejected['reason'][0]})")
    if not log.dated:
        tally.undated.append(name)
    tally.add(log)
    if (remark := _heel_remark(name, log.readings)) is not None:
        tally.remarks.append(remark)


def _heel_remark(name: str, readings: Mapping[str, pl.DataFrame]) -> str | None:
    if "heel" not in readings or "apparent_wind" not in readings:
        return None
    both = readings["heel"].join_asof(readings["apparent_wind"].select("time", "awa"), on="time", tolerance="3s")
    pairs = both.drop_nulls(["heel", "awa"])
    if is_contrary([sign_votes(pairs["heel"].to_numpy(), pairs["awa"].to_numpy(), LEAST_HEEL_DEG)]):
        return f"{name}: heel seems to be positive to port; it is turned round by itself in a run, and said so"
    return None


def _sniff(name: str, data: bytes) -> FoundCsv:
    """The layout of a CSV log, from its first lines: the likeliest heading is the one with most columns understood."""
    lines = [line for line in csv_lines.plain_text(data[:SNIFF_BYTES]).split(b"\n")[:SNIFF_ROWS] if line.strip()]
    if not lines:
        raise ValueError("holds no text")
    best: tuple[int, int, str, list[str]] | None = None
    for at, line in enumerate(lines[:HEADING_WITHIN_LINES]):
        for delimiter in DELIMITERS:
            cells = csv_lines.cells_of(line, delimiter)
            understood = len(guessed_columns(cells))
            if best is None or understood > best[0]:
                best = understood, at, delimiter, cells
    assert best is not None
    _, at, delimiter, headings = best
    rows = [csv_lines.cells_of(line, delimiter) for line in lines[at + 1 : -1] or lines[at + 1 :]]
    units = rows[0] if rows and _is_units_row(rows[0]) else []
    commas = any(re.fullmatch(r"-?\d+,\d+", cell) for row in rows for cell in row)
    suffix = Path(plain_name(name)).suffix or ".csv"
    found = FoundCsv(f"*{suffix}", tuple(headings), delimiter, "," if commas else ".", tuple(units))
    return replace(found, **_time_format(found, rows[1:] if units else rows))


def _time_format(found: FoundCsv, rows: list[list[str]]) -> dict[str, Any]:
    """`time_format` of the layout, and whether another order of day and month would do as well."""
    heading = next((c.column for c in guessed_columns(found.headings) if c.channel == "time"), None)
    if heading is None:
        return {}
    place = found.headings.index(heading)
    stamps = pl.Series([row[place] for row in rows if len(row) > place], dtype=pl.String)
    fitting = [form for form in ("auto", *TIME_FORMATS) if stamps.len() and _all_read(stamps, form)]
    if not fitting:
        return {}
    swapped = fitting[0].translate(str.maketrans("dm", "md")) if fitting[0] != "auto" else ""
    return {"time_format": fitting[0], "unsure_time": swapped in fitting[1:]}


def _all_read(stamps: pl.Series, time_format: str) -> bool:
    us = read_stamps(stamps, time_format)["us"]
    # A year of two digits read as one of four lies in antiquity.
    return us.null_count() == 0 and (time_format == "auto" or us.min() > EPOCH_FLOOR_S * US_PER_S)


def _is_units_row(cells: list[str]) -> bool:
    return any(unit_named(cell) for cell in cells) and not any(re.search(r"\d", cell) for cell in cells)


def _layout(found: FoundCsv) -> CsvLayout:
    return CsvLayout(
        files=found.files,
        delimiter=found.delimiter,
        decimal=found.decimal,
        units_row=bool(found.units),
        time_format=found.time_format,
        columns=guessed_columns(found.headings, found.units),
    )


def _summary(logs: int, tally: _Tally, problems: list[Problem]) -> LogSummary:
    channels = []
    further = sorted(c for c in tally.readings if c not in BY_NAME)
    for channel in [*(c for c in BY_NAME if c in tally.readings), *further]:
        steps = sorted(s for s in tally.steps_s[channel] if s > 0)
        rate = 1.0 / steps[len(steps) // 2] if steps else 0.0
        sources = sorted(tally.readings[channel].items(), key=lambda item: (-item[1], item[0]))
        talkers: dict[str, int] = {}
        for source, count in sources:
            talker = source[:-3] if len(source) > 3 and source != "csv" else source
            talkers[talker] = talkers.get(talker, 0) + count
        channels.append(FoundChannel(channel, rate, tuple(talkers.items())))
    return LogSummary(
        logs=logs,
        channels=tuple(channels),
        csv=tuple(tally.layouts.values()),
        undated=tuple(sorted(tally.undated)),
        sessions=_sessions(tally),
        transducers=tuple(further),
        remarks=(*tally.remarks, *(str(p) for p in problems)),
    )


def _sessions(tally: _Tally) -> tuple[tuple[datetime, datetime], ...]:
    times = pl.concat(tally.times).unique().sort()
    dated = times.filter(times.dt.year() > 1970)
    return tuple(find_sessions(dated).select("start", "end").iter_rows())


def _write(folder: Path, summary: LogSummary) -> StartResult:
    boat, sail_log = draft_campaign(folder, summary)
    written, left = [], []
    for name, text in (("boat.toml", boat), ("sail_log.csv", sail_log)):
        path = folder / name
        try:
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
            written.append(path)
        except FileExistsError:
            left.append(path)
    return StartResult(tuple(_found_lines(summary)), tuple(written), tuple(left))


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _found_lines(summary: LogSummary) -> list[str]:
    lines = [f"{_counted(summary.logs, 'log')}, {_counted(len(summary.sessions), 'session')} with a date"]
    for found in summary.channels:
        unit = f" {BY_NAME[found.channel].unit}" if found.channel in BY_NAME else ""
        sources = ", ".join(f"{name} {count:,}" for name, count in found.talkers)
        lines.append(f"  {found.channel:<14}{unit:<9} {found.rate_hz:5.2f} Hz   {sources}")
    missing = [c for c in ("awa", "aws", "bsp") if c not in {f.channel for f in summary.channels}]
    if missing:
        lines.append(f"  not found: {', '.join(missing)}")
    return [*lines, *(f"  remark: {r}" for r in summary.remarks)]

"""A season's logs into the store: what is new is decoded, what is gone is removed, every line is accounted for."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.campaign.campaign import LOGS_FOLDER, Campaign
from pipeline.campaign.settings import Boat, CsvLayout
from pipeline.ingest import dates
from pipeline.ingest.csv_logs import decode_csv
from pipeline.ingest.log_files import Content, Kind, UnreadableLog, kind_of, log_name, read_content, share_of_sentences
from pipeline.ingest.merge import FLAGS_SCHEMA, MergedLog, merge_log
from pipeline.ingest.readings import REJECTED_SCHEMA, DecodedLog
from pipeline.ingest.reasons import LINES_REJECTED, ON_THE_CLOCK
from pipeline.ingest.store import Store, run_checks, sql_text
from pipeline.problems import Problem, UnusableInput

Progress = Callable[[str], None]

STAGE = "ingest"
NO_WIND = (
    "no apparent wind (MWV,R / VWR / awa and aws) in any log: without it there is no true wind to compute; "
    "log the wind instrument's own sentences, or name the columns under [csv.columns] in boat.toml"
)
NO_DATE = (
    "holds times of day but no date: set start_date under [instruments] in boat.toml to the day it begins "
    "(or to a table of file names and dates)"
)
# What the readings of a log depend on, beside settings: a change of this code decodes the logs again.
_CODE = ("ingest/*.py", "channels.py", "units.py", "angles.py")


@dataclass(slots=True)
class Log:
    """One content and the names it was found under, sorted; `first_date` where it has no date of its own."""

    sha256: str
    paths: list[tuple[str, Path]]
    kind: Kind | None = None
    undated: bool = False
    first_date: date | None = None
    first_day: date | None = None  # as the log itself says, where it is dated
    stored: str | None = None  # `settings` of its row in the store
    cut_short: bool = False

    @property
    def name(self) -> str:
        """The first of its names: the one it goes by."""
        return self.paths[0][0]

    @property
    def file_id(self) -> str:
        """What samples name their log by."""
        return self.sha256[:16]


def ingest_logs(store: Store, campaign: Campaign, progress: Progress | None = None) -> None:
    """Bring the store up to date with the logs of `campaign`.

    A content counts once under whatever names; logs already in the store, read with the same settings, are not decoded
    again. Writes `samples`, `files`, `rejected`, the flags of this stage and its fingerprint; commits nothing. Raises
    `UnusableInput` with every log that cannot be used, or where no log has apparent wind.
    """
    logs = _find(store, campaign)
    _Season(store, campaign, logs, progress or (lambda _: None)).update()


class _Season:
    """One update of the store: finds what is to be decoded, dates it, decodes, stores, checks."""

    def __init__(self, store: Store, campaign: Campaign, logs: list[Log], say: Progress) -> None:
        self.store, self.campaign, self.boat = store, campaign, campaign.boat
        self.logs, self.say = logs, say
        self.base = _settings(campaign.boat)
        self.rows: dict[str, dict[str, object]] = {}
        self.problems: list[Problem] = []

    def update(self) -> None:
        self._remove_what_is_gone()
        self._recall()
        season = dates.season_as_written(self.campaign)
        # Undated logs wait, decoded, for their dates; of the others one at a time is in memory.
        waiting = self._store_the_dated(season)
        season = season or dates.season_of_logs([log.first_day for log in self.logs if log.first_day])
        self._assign_dates()
        for log in self.logs:
            if self._is_off(log, season):
                self._store(log, self._decode(log, season))
            elif log.undated and log.first_date and log.stored != self._fingerprint(log):
                self._store(log, self._redated(log, waiting.pop(log.sha256, None)))
        if self.problems:
            raise UnusableInput(self.problems)
        self._finish()

    def _remove_what_is_gone(self) -> None:
        here = {log.file_id for log in self.logs}
        for file_id in self.store.read_table("files")["file_id"]:
            if file_id not in here:
                self.store.remove_file(file_id)

    def _recall(self) -> None:
        """What the store knows already of these contents, read with the same settings."""
        known = {row["sha256"]: row for row in self.store.read_table("files").iter_rows(named=True)}
        for log in self.logs:
            row = known.get(log.sha256)
            if row is not None and str(row["settings"]).startswith(self.base):
                log.kind, log.undated, log.stored = row["kind"], not row["dated"], row["settings"]
                log.first_day = row["first_time"].date() if row["first_time"] and row["dated"] else None

    def _store_the_dated(self, season: tuple[date, date] | None) -> dict[str, DecodedLog]:
        """Decode what the store does not know; store it unless it lacks a date. The undated ones are returned."""
        waiting: dict[str, DecodedLog] = {}
        todo = [log for log in self.logs if log.stored is None]
        for number, log in enumerate(todo, 1):
            self.say(f"reading log {number} of {len(todo)}: {log.name}")
            decoded = self._decode(log, season)
            if decoded is None:
                continue
            first = min((f["time"][0] for f in decoded.readings.values() if f.height), default=None)
            log.undated = first is not None and not decoded.dated
            if log.undated:
                waiting[log.sha256] = decoded
                continue
            log.first_day = None if first is None else first.date()
            self._store(log, decoded)
        return waiting

    def _assign_dates(self) -> None:
        undated = [log for log in self.logs if log.undated]
        given = dates.assign([log.name for log in undated], self.boat.instruments.start_date)
        for log in undated:
            log.first_date = given[log.name]
            if log.first_date is None:
                self.problems.append(Problem(_place(log), NO_DATE))

    def _redated(self, log: Log, decoded: DecodedLog | None) -> DecodedLog | None:
        """An undated log with its date; a CSV is read again, since its zone's offset depends on the date."""
        if decoded is None or log.kind == "csv":
            decoded = self._decode(log, None, log.first_date)
        if decoded is None or log.kind == "csv" or log.first_date is None:
            return decoded
        return dates.dated(decoded, log.first_date)

    def _is_off(self, log: Log, season: tuple[date, date] | None) -> bool:
        """Whether a receiver's date lies half a rollover or more from the season (a CSV's date is a computer's)."""
        known = log.kind == "nmea" and log.first_day is not None and season is not None
        return known and dates.is_off(log.first_day, season)

    def _fingerprint(self, log: Log) -> str:
        return f"{self.base} {log.first_date or ''}".strip()

    def _decode(self, log: Log, season: tuple[date, date] | None, first_date: date | None = None) -> DecodedLog | None:
        """The log, decoded; None where it cannot be used, which is then among the problems."""
        try:
            content = read_content(log.paths[0][1])
            log.kind, layout = kind_of(log.name, content.data, self.boat.csv)
            log.cut_short = content.cut_short
            decoded = _decoded(content, layout, self.boat, season, first_date)
        except UnreadableLog as error:
            self.problems.append(Problem(_place(log), str(error)))
        except ValueError as error:
            self.problems.append(Problem(_place(log), f"cannot be read as CSV: {error}"))
        else:
            problem = _unusable(log, content, decoded)
            if problem is None:
                return decoded
            self.problems.append(problem)
        return None

    def _store(self, log: Log, decoded: DecodedLog | None) -> None:
        if decoded is None or self.problems:
            return  # the run ends with the problems; the rest is read only to find more of them
        merged = merge_log(decoded, talkers=self.boat.channels.talkers)
        self.store.remove_file(log.file_id)
        self.store.add_samples(log.file_id, merged.samples)
        tag = pl.lit(log.file_id).alias("file_id")
        self.store.append("rejected", decoded.rejected.with_columns(tag, pl.lit(log.name).alias("file")))
        self.store.append("file_flags", _flags_of(log, decoded, merged).with_columns(tag))
        self.rows[log.file_id] = _row(log, decoded, merged) | {"settings": self._fingerprint(log)}

    def _finish(self) -> None:
        store = self.store
        if self.rows:
            rows = list(self.rows.values())
            store.append("files", pl.DataFrame(rows, schema_overrides=_FILE_TYPES, infer_schema_length=None))
        store.rename_files(
            pl.DataFrame(
                {
                    "file_id": [log.file_id for log in self.logs],
                    "file": [log.name for log in self.logs],
                    "also_named": [" ".join(name for name, _ in log.paths[1:]) or None for log in self.logs],
                },
                schema_overrides={"also_named": pl.String()},
            )
        )
        if store.query("SELECT 1 FROM samples WHERE awa IS NOT NULL AND aws IS NOT NULL LIMIT 1").is_empty():
            raise UnusableInput([Problem(f"{LOGS_FOLDER}/", NO_WIND + _much_rejected(store))])
        others = store.read_table("flags").filter(pl.col("stage") != STAGE)
        flags = store.query(sql_text("ingest/flags"))
        store.write_table("flags", pl.concat([flags, others], how="diagonal_relaxed"))
        store.set_fingerprint(STAGE, _digest(*store.read_table("files").sort("sha256")["settings"].to_list()))
        run_checks(store, {"new": list(self.rows)})


def _much_rejected(store: Store) -> str:
    """A hint where the wind may be missing because most lines were rejected; empty where they were not."""
    files = store.read_table("files")
    lines, rejected = int(files["lines"].sum()), int(files["rejected"].sum())
    if rejected * 2 < lines or not rejected:
        return ""
    file, line, reason, text = store.query(sql_text("ingest/commonest_rejection")).row(0)
    return (
        f". {rejected:,} of {lines:,} lines were rejected, most for: {reason} "
        f"(such as line {line} of {file}: {text[:80]!r})"
    )


def _row(log: Log, decoded: DecodedLog, merged: MergedLog) -> dict[str, object]:
    """The log's row of `files`, names aside of those it has besides."""
    times = merged.samples["time"]
    return {
        "file": log.name,
        "sha256": log.sha256,
        "lines": decoded.lines,
        "used": decoded.used,
        "passed_over": decoded.passed_over,
        "rejected": decoded.rejected.height,
        "file_id": log.file_id,
        "kind": log.kind,
        "dated": not log.undated,
        "first_date": log.first_date,
        "first_time": times.min(),
        "last_time": times.max(),
        "rate_hz": merged.rate_hz,
        "samples": merged.samples.height,
    }


_FILE_TYPES = {
    "lines": pl.Int64(),
    "used": pl.Int64(),
    "passed_over": pl.Int64(),
    "rejected": pl.Int64(),
    "samples": pl.Int64(),
    "first_date": pl.Date(),
    "first_time": pl.Datetime("us"),
    "last_time": pl.Datetime("us"),
    "rate_hz": pl.Float64(),
    "dated": pl.Boolean(),
}

_SEEN_TYPES = {
    "name": pl.String(),
    "bytes": pl.Int64(),
    "modified_ns": pl.Int64(),
    "changed_ns": pl.Int64(),
    "sha256": pl.String(),
    "blank": pl.Boolean(),
}


def _find(store: Store, campaign: Campaign) -> list[Log]:
    """The logs of a campaign by content, in order of their names. Raises `UnusableInput` for what cannot be read."""
    folder = campaign.folder / LOGS_FOLDER
    if not campaign.log_files:
        what = "holds no log files" if folder.is_dir() else "is missing: put the instrument logs into it"
        raise UnusableInput([Problem(f"{LOGS_FOLDER}/", what)])
    seen = {tuple(row[:4]): row[4:] for row in store.read_table("seen_files").iter_rows()}
    sightings: list[tuple[str, int, int, int, str, bool]] = []
    problems = []
    paths: dict[str, list[tuple[str, Path]]] = defaultdict(list)
    for path in campaign.log_files:
        name = log_name(path, folder)
        try:
            now = path.stat()
            key = (name, now.st_size, now.st_mtime_ns, now.st_ctime_ns)
            sha256, blank = seen.get(key) or _look_at(path)
        except (UnreadableLog, OSError) as error:
            what = str(error) if isinstance(error, UnreadableLog) else f"cannot be read ({error.strerror or error})"
            problems.append(Problem(f"{LOGS_FOLDER}/{name}", what))
            continue
        sightings.append((*key, sha256, blank))
        paths[sha256].append((name, path))
    if sightings and all(blank for *_, blank in sightings) and not problems:
        problems.append(Problem(f"{LOGS_FOLDER}/", "holds only empty files"))
    if problems:
        raise UnusableInput(problems)
    store.write_table("seen_files", pl.DataFrame(sightings, schema=_SEEN_TYPES, orient="row"))
    return sorted((Log(sha256, sorted(found)) for sha256, found in paths.items()), key=lambda log: log.name)


def _look_at(path: Path) -> tuple[str, bool]:
    content = read_content(path)
    return content.sha256, content.is_blank


def _decoded(
    content: Content, layout: CsvLayout | None, boat: Boat, season: tuple[date, date] | None, first_date: date | None
) -> DecodedLog:
    if content.is_blank:
        lines = len(content.data.splitlines())
        return DecodedLog(lines, 0, lines, pl.DataFrame(schema=REJECTED_SCHEMA), {}, True, {"logs without any text": 1})
    if layout is not None:
        return decode_csv(content.data, layout, time_zone=boat.instruments.time_zone, first_date=first_date)
    from pipeline.ingest.nmea0183 import decode_nmea

    return decode_nmea(content.data, transducers=boat.channels.transducers, season=season)


def _unusable(log: Log, content: Content, decoded: DecodedLog) -> Problem | None:
    """A log of which not one line could be used; an empty one, or one of sentences of no use here, is let be."""
    if decoded.used or content.is_blank:
        return None
    if log.kind == "nmea":
        if share_of_sentences(content.data) > 0:
            return None
        what = "holds no line that could be used: it is neither NMEA 0183 nor a CSV that [csv] in boat.toml describes"
        return Problem(_place(log), f"{what}; take it out of {LOGS_FOLDER}/ or describe it there")
    if decoded.rejected.is_empty():
        return None
    line, reason, text = decoded.rejected.row(0)
    what = f"no line of the CSV could be used: {reason} (line reads {text[:60]!r}); see [csv] in boat.toml"
    return Problem(_place(log), what, line=line)


def _flags_of(log: Log, decoded: DecodedLog, merged: MergedLog) -> pl.DataFrame:
    more = [(ON_THE_CLOCK, True, merged.samples.height)]
    if log.undated:
        more.append(("logs without a date, dated by start_date", True, 1))
    if log.cut_short:
        more.append(("compressed logs cut short: the rest of them is lost", False, 1))
    if decoded.rejected.height:
        more.append((LINES_REJECTED, False, decoded.rejected.height))
    frame = pl.concat([merged.flags, pl.DataFrame(more, schema=FLAGS_SCHEMA, orient="row")])
    return frame.group_by("reason", "kept").agg(pl.col("count").sum()).sort("reason", "kept")


def _place(log: Log) -> str:
    return f"{LOGS_FOLDER}/{log.name}"


def _settings(boat: Boat) -> str:
    """Hash of the settings and code that the readings of any log depend on."""
    relevant = {
        "time_zone": boat.instruments.time_zone,
        "transducers": dict(boat.channels.transducers),
        "talkers": dict(boat.channels.talkers),
        "csv": [asdict(layout) for layout in boat.csv],
    }
    return _digest(json.dumps(relevant, sort_keys=True), _code())[:16]


@cache
def _code() -> str:
    package = Path(__file__).resolve().parent.parent
    sources = sorted(path for pattern in _CODE for path in package.glob(pattern))
    return _digest(*(path.read_text(encoding="utf-8") for path in sources))


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()

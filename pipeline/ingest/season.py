"""A season's logs into the store: what is new is decoded, what is gone is removed, every line is accounted for."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from functools import cache, partial
from itertools import groupby
from pathlib import Path

import polars as pl

from pipeline.campaign.campaign import LOGS_FOLDER, Campaign
from pipeline.campaign.settings import Boat
from pipeline.ingest import dates
from pipeline.ingest.loading import Loading, Span
from pipeline.ingest.log_files import GZIP_MAGIC, Kind, LogReader, UnreadableLog, log_name
from pipeline.ingest.merge import MergedLog, flags_frame, merge_log
from pipeline.ingest.read_log import Reading, ReadLog
from pipeline.ingest.readings import DecodedLog, chunks_of
from pipeline.ingest.reasons import LINES_REJECTED, ON_THE_CLOCK
from pipeline.ingest.store import Store, run_checks, sql_text
from pipeline.ingest.workers import Workers
from pipeline.problems import Problem, UnusableInput
from pipeline.threads import allowed

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


MOST_WORKERS = 8
# Less than this is read before they have begun.
WORKERS_FROM_BYTES = 32 << 20
# Logs up to this size are worked on side by side, a larger one by itself, several of its pieces at once.
SIDE_BY_SIDE_BYTES = 24 << 20
# About how much larger a compressed log is when it is unfolded.
USUAL_RATIO = 6


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
    def also_named(self) -> str | None:
        """The others."""
        return " ".join(name for name, _ in self.paths[1:]) or None

    @property
    def file_id(self) -> str:
        """What samples name their log by."""
        return self.sha256[:16]


@dataclass(slots=True)
class _File:
    """One file in the campaign's logs: as it is seen now, and its content, as far as that is known."""

    name: str
    path: Path
    seen: tuple[str, int, int, int]
    sha256: str | None = None
    blank: bool = False


def ingest_logs(store: Store, campaign: Campaign, progress: Progress | None = None) -> None:
    """Bring the store up to date with the logs of `campaign`.

    A content counts once under whatever names; logs already in the store, read with the same settings, are not decoded
    again. Writes `samples`, `files`, `rejected`, the flags of this stage and its fingerprint; commits nothing. Raises
    `UnusableInput` with every log that cannot be used, or where no log has apparent wind.
    """
    with Workers(min(allowed(), MOST_WORKERS)) as workers, Loading(store) as loading:
        _Season(store, campaign, progress or (lambda _: None), workers, loading).update()


class _Season:
    """One update of the store: finds what is to be decoded, dates it, decodes, stores, checks."""

    def __init__(self, store: Store, campaign: Campaign, say: Progress, workers: Workers, loading: Loading) -> None:
        self.store, self.campaign, self.boat = store, campaign, campaign.boat
        self.say, self.workers, self.loading = say, workers, loading
        self.reading = Reading(campaign.boat, store.path.parent)
        self.base = _settings(campaign.boat)
        self.known = {row["sha256"]: row for row in store.read_table("files").iter_rows(named=True)}
        self.logs: dict[str, Log] = {}
        self.problems: list[Problem] = []

    def update(self) -> None:
        season = dates.season_as_written(self.campaign)
        files = self._find()
        # Undated logs wait, decoded, for their dates; of the others only a few are in memory.
        waiting = self._store_the_dated(files, season)
        self._remember(files)
        logs = self._in_order()
        season = season or dates.season_of_logs([log.first_day for log in logs if log.first_day])
        self._assign_dates(logs)
        for log in logs:
            if self._is_off(log, season):
                self._store(log, self._read_again(log, season))
            elif log.undated and log.first_date and log.stored != self._fingerprint(log):
                self._store(log, self._redated(log, waiting.pop(log.sha256, None)))
        if self.problems:
            raise UnusableInput(self.problems)
        self._finish(logs)

    def _in_order(self) -> list[Log]:
        for log in self.logs.values():
            log.paths.sort()
        return sorted(self.logs.values(), key=lambda log: log.name)

    def _find(self) -> list[_File]:
        """The campaign's files in order of their names, with the contents of those that were seen before."""
        folder = self.campaign.folder / LOGS_FOLDER
        if not self.campaign.log_files:
            what = "holds no log files" if folder.is_dir() else "is missing: put the instrument logs into it"
            raise UnusableInput([Problem(f"{LOGS_FOLDER}/", what)])
        rows = list(self.store.read_table("seen_files").iter_rows())
        seen, sizes = {tuple(row[:4]): row[4:] for row in rows}, {row[1] for row in rows}
        files = []
        for path in self.campaign.log_files:
            name = log_name(path, folder)
            try:
                now = path.stat()
                file = _File(name, path, (name, now.st_size, now.st_mtime_ns, now.st_ctime_ns))
                if file.seen in seen:
                    file.sha256, file.blank = seen[file.seen]
                elif (
                    now.st_size in sizes
                ):  # likely one that was seen, under another name: worth a look before it is read
                    file.sha256, file.blank = _look_at(path)
            except (UnreadableLog, OSError) as error:
                what = str(error) if isinstance(error, UnreadableLog) else f"cannot be read ({error.strerror or error})"
                self.problems.append(Problem(f"{LOGS_FOLDER}/{name}", what))
                continue
            files.append(file)
        return sorted(files, key=lambda file: file.name)

    def _log_of(self, file: _File) -> Log:
        """The log of a file whose content is known, the file's name among its names."""
        assert file.sha256 is not None
        log = self.logs.get(file.sha256)
        if log is None:
            log = self.logs[file.sha256] = Log(file.sha256, [])
            row = self.known.get(file.sha256)
            if row is not None and str(row["settings"]).startswith(self.base):
                log.kind, log.undated, log.stored = row["kind"], not row["dated"], row["settings"]
                log.first_day = row["first_time"].date() if row["first_time"] and row["dated"] else None
        log.paths.append((file.name, file.path))
        return log

    def _store_the_dated(self, files: list[_File], season: tuple[date, date] | None) -> dict[str, DecodedLog]:
        """Decode what the store does not know; store it unless it lacks a date. The undated ones are returned."""
        waiting: dict[str, DecodedLog] = {}
        todo: list[_File] = []
        for file in files:
            new = file.sha256 is None or file.sha256 not in self.logs
            if file.sha256 is None or (self._log_of(file).stored is None and new):
                todo.append(file)
        for number, (file, read) in enumerate(self._side_by_side(todo, season), 1):
            self.say(f"reading log {number} of {len(todo)}: {file.name}")
            is_new = file.sha256 is not None  # its content was known, and is not stored
            if file.sha256 is None and read.sha256:
                file.sha256, file.blank = read.sha256, read.is_blank
                is_new = read.sha256 not in self.logs
                is_new &= self._log_of(file).stored is None
            if read.decoded is None:
                self.problems.append(Problem(f"{LOGS_FOLDER}/{file.name}", read.problem or "", line=read.line))
                continue
            if not is_new:
                continue
            log, first = self.logs[read.sha256], read.first_time
            log.kind, log.cut_short = read.kind, read.cut_short
            log.undated = first is not None and not read.decoded.dated
            if log.undated:
                waiting[log.sha256] = read.decoded
                continue
            log.first_day = None if first is None else first.date()
            self._store(log, read.decoded)
        return waiting

    def _side_by_side(
        self, files: Sequence[_File], season: tuple[date, date] | None
    ) -> Iterator[tuple[_File, ReadLog]]:
        """The files, read, in their order: small ones side by side, large ones by themselves."""
        sizes = {file.name: _unfolded_size(file) for file in files}
        if sum(sizes.values()) >= WORKERS_FROM_BYTES:
            self.workers.begin()
        read = partial(_read, self.reading, season)
        for small, group in groupby(files, key=lambda file: sizes[file.name] <= SIDE_BY_SIDE_BYTES):
            some = list(group)
            if small:
                yield from zip(some, self.workers.in_order(read, some), strict=True)
                continue
            for file in some:
                yield file, self.reading.read(file.path, file.name, season=season, workers=self.workers)

    def _remember(self, files: list[_File]) -> None:
        """Note what was seen of each file, and take logs that are gone out of the store."""
        if files and all(file.blank for file in files) and not self.problems:
            self.problems.append(Problem(f"{LOGS_FOLDER}/", "holds only empty files"))
        if self.problems:
            return
        self.loading.wait()
        rows = [(*file.seen, file.sha256, file.blank) for file in files]
        self.store.write_table("seen_files", pl.DataFrame(rows, schema=_SEEN_TYPES, orient="row"))
        for sha256, row in self.known.items():
            if sha256 not in self.logs:
                self.store.remove_file(row["file_id"])

    def _assign_dates(self, logs: list[Log]) -> None:
        undated = [log for log in logs if log.undated]
        given = dates.assign([log.name for log in undated], self.boat.instruments.start_date)
        for log in undated:
            log.first_date = given[log.name]
            if log.first_date is None:
                self.problems.append(Problem(_place(log), NO_DATE))

    def _redated(self, log: Log, decoded: DecodedLog | None) -> DecodedLog | None:
        """An undated log with its date; a CSV is read again, since its zone's offset depends on the date."""
        if decoded is None or log.kind == "csv":
            decoded = self._read_again(log, None, log.first_date)
        if decoded is None or log.kind == "csv" or log.first_date is None:
            return decoded
        return dates.dated(decoded, log.first_date)

    def _is_off(self, log: Log, season: tuple[date, date] | None) -> bool:
        """Whether a receiver's date lies half a rollover or more from the season (a CSV's date is a computer's)."""
        known = log.kind == "nmea" and log.first_day is not None and season is not None
        return known and dates.is_off(log.first_day, season)

    def _fingerprint(self, log: Log) -> str:
        return f"{self.base} {log.first_date or ''}".strip()

    def _read_again(
        self, log: Log, season: tuple[date, date] | None, first_date: date | None = None
    ) -> DecodedLog | None:
        """The log, decoded; None where it cannot be used, which is then among the problems."""
        name, path = log.paths[0]
        read = self.reading.read(path, name, season=season, first_date=first_date, workers=self.workers)
        log.kind, log.cut_short = read.kind, read.cut_short
        if read.decoded is None:
            self.problems.append(Problem(_place(log), read.problem or "", line=read.line))
        return read.decoded

    def _store(self, log: Log, decoded: DecodedLog | None) -> None:
        if decoded is None or self.problems:
            return  # the run ends with the problems; the rest is read only to find more of them
        merged = merge_log(decoded, talkers=self.boat.channels.talkers)
        if log.sha256 in self.known or log.file_id in self.loading.rows:
            self.loading.flush()
            self.store.remove_file(log.file_id)
        span = self.loading.samples(log.file_id, merged.batches())
        self.loading.add(
            log.file_id,
            rejected=decoded.rejected.with_columns(file=pl.lit(log.name)),
            flags=_flags_of(log, decoded, merged, span.rows),
            row=_row(log, decoded, merged, span) | {"settings": self._fingerprint(log)},
        )
        chunks_of(decoded.readings).close()

    def _finish(self, logs: list[Log]) -> None:
        store = self.store
        self.loading.finish()
        if self._is_as_it_was(logs):
            return
        store.rename_files(
            pl.DataFrame(
                {
                    "file_id": [log.file_id for log in logs],
                    "file": [log.name for log in logs],
                    "also_named": [log.also_named for log in logs],
                },
                schema_overrides={"also_named": pl.String()},
            )
        )
        if not _has_wind(store):
            raise UnusableInput([Problem(f"{LOGS_FOLDER}/", NO_WIND + _much_rejected(store))])
        others = store.read_table("flags").filter(pl.col("stage") != STAGE)
        flags = store.query(sql_text("ingest/flags"))
        store.write_table("flags", pl.concat([flags, others], how="diagonal_relaxed"))
        store.set_fingerprint(STAGE, _fingerprint(store.read_table("files").sort("sha256")["settings"]))
        run_checks(store, {"new": list(self.loading.rows)})

    def _is_as_it_was(self, logs: list[Log]) -> bool:
        """Whether the store was finished with just these logs under just these names."""
        known = [self.known[sha256] for sha256 in sorted(self.known)]
        before = {(row["sha256"], row["file"], row["also_named"]) for row in known}
        return (
            not self.loading.rows
            and before == {(log.sha256, log.name, log.also_named) for log in logs}
            and self.store.fingerprint(STAGE) == _fingerprint(row["settings"] for row in known)
        )


def _fingerprint(settings: Iterable[str]) -> str:
    """Of the stage, from how each of its logs was read, in order of their contents."""
    return _digest(*settings)


def _read(reading: Reading, season: tuple[date, date] | None, file: _File) -> ReadLog:
    return reading.read(file.path, file.name, season=season)


def _has_wind(store: Store) -> bool:
    return not store.query("SELECT 1 FROM samples WHERE awa IS NOT NULL AND aws IS NOT NULL LIMIT 1").is_empty()


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


def _row(log: Log, decoded: DecodedLog, merged: MergedLog, span: Span) -> dict[str, object]:
    """The log's row of `files`, names aside of those it has besides."""
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
        "first_time": span.first,
        "last_time": span.last,
        "rate_hz": merged.rate_hz,
        "samples": span.rows,
    }


_SEEN_TYPES = {
    "name": pl.String(),
    "bytes": pl.Int64(),
    "modified_ns": pl.Int64(),
    "changed_ns": pl.Int64(),
    "sha256": pl.String(),
    "blank": pl.Boolean(),
}


def _look_at(path: Path) -> tuple[str, bool]:
    reader = LogReader(path)
    for _ in reader.blocks():
        pass
    return reader.sha256, reader.is_blank


def _unfolded_size(file: _File) -> int:
    """About how large a file's content is."""
    size = file.seen[1]
    try:
        with file.path.open("rb") as opened:
            packed = opened.read(len(GZIP_MAGIC)) == GZIP_MAGIC
    except OSError:
        packed = False  # it is said when the file is read
    return size * USUAL_RATIO if packed else size


def _flags_of(log: Log, decoded: DecodedLog, merged: MergedLog, samples: int) -> pl.DataFrame:
    more = [(ON_THE_CLOCK, True, samples)]
    if log.undated:
        more.append(("logs without a date, dated by start_date", True, 1))
    if log.cut_short:
        more.append(("compressed logs cut short: the rest of them is lost", False, 1))
    if decoded.rejected.height:
        more.append((LINES_REJECTED, False, decoded.rejected.height))
    return flags_frame([*merged.flags.iter_rows(), *more])


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

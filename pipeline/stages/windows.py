"""From samples to steady windows, piece by piece: only pieces that something changed for are computed again.

What a piece takes from the season (`season_digest`) is settled from evidence that adds up over the pieces, so the
tables are the same however the season came about. A piece computed with what the season said before its end is
checked against what it says at last, and computed again where that differs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.campaign.campaign import Campaign
from pipeline.digests import digest_of
from pipeline.ingest.store import Store
from pipeline.sailing.engine import engine_spans
from pipeline.sailing.piece_windows import (
    SET_ASIDE,
    WINDOWS,
    Examined,
    PieceWindows,
    as_table,
    chosen,
    possible_windows,
)
from pipeline.sailing.pieces import Piece, all_touching, pieces_of
from pipeline.sailing.speed_lag import SpeedLag, settled_lag
from pipeline.sailing.tagging import tag_sail_sets
from pipeline.sailing.times import Spans
from pipeline.sailing.wind_of_samples import contrary_signs, wind_flags
from pipeline.sailing.window_rules import WindowRules
from pipeline.sailing.windows import assemble, rules_of, season_flags, season_memory
from pipeline.stages.batch import CHANNELS, Batch
from pipeline.stages.log_runs import Run, runs_of_logs, sessions_of
from pipeline.stages.piece_records import (
    LOGS,
    NEW,
    SEASON,
    Dependencies,
    Record,
    changed,
    read_records,
    season_digest,
    write_records,
)

STAGE = "windows"
# Tables that pieces add their rows to, in whatever order they come, and when a row begins.
ADDED_TO = {"wind": "time", "set_aside": "start"}
# Samples read at once, and steps of examined pieces that wait in memory for the season's last word (300 bytes each).
READ_AT_ONCE = 200_000
WAITING_STEPS = 1_500_000
# Signs, lag, counts and limits settle one after the other.
MOST_ROUNDS = 6

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Redone:
    """Pieces computed and why (what changed, or `NEW`), of how many; gone ones counted."""

    pieces: tuple[tuple[Piece, tuple[str, ...]], ...]
    count: int
    gone: int
    changed: bool


def update_windows(store: Store, campaign: Campaign, say: Progress) -> Redone:
    """Bring wind, segments and windows up to date with the samples in the store and with what people wrote."""
    # Matrices of a piece are small: threads would only wait for each other, and the last digits depend on their number.
    with threadpool_limits(limits=1, user_api="blas"):
        return _Update(store, campaign, say).run()


def read_wind(store: Store) -> pl.DataFrame:
    """All samples with their wind, as `add_true_wind` leaves them."""
    samples = store.read_samples()
    wind = store.query("SELECT * FROM wind ORDER BY time")
    if not samples["time"].equals(wind["time"]):
        raise AssertionError("the wind in the store is not that of its samples")
    return samples.with_columns(wind.drop("time", "sail_set"))


@dataclass(frozen=True, slots=True)
class Waiting:
    """A piece that waits for what the season says; `contrary`: channels of contrary sign in its wind."""

    record: Record
    examined: Examined
    contrary: tuple[str, ...]


@dataclass(slots=True)
class _Update:
    store: Store
    campaign: Campaign
    say: Progress
    runs: list[Run] = field(init=False)
    sessions: pl.DataFrame = field(init=False)
    segments: pl.DataFrame = field(init=False)
    records: dict[datetime, Record] = field(init=False)
    found: dict[datetime, PieceWindows] = field(default_factory=dict)
    fresh: set[str] = field(default_factory=set)
    engine: Spans = field(init=False)

    def run(self) -> Redone:
        store, boat = self.store, self.campaign.boat
        self.runs = runs_of_logs(store)
        self.engine = engine_spans(self.campaign.settings_log)
        self.sessions = sessions_of(store, self.runs)
        self.segments = tag_sail_sets(self.campaign.sail_log, boat, self.sessions)
        pieces = pieces_of(list(self.sessions.select("start", "end").iter_rows()))
        kept = read_records(store)
        stale = self._compare(pieces, kept)
        gone = sum(lo not in self.records for lo in kept)
        before = dict(stale)
        if 0 < len(pieces) == len(stale):
            self.fresh = set(ADDED_TO)
        # As they were: a piece that ends earlier now had its rows up to its old end.
        self._forget([r.piece for lo, r in kept.items() if self.records.get(lo) is not r])
        if stale:
            self.say(f"wind and windows of {len(stale)} of {len(pieces)} pieces of the season")
        todo = [p for p, _ in stale]
        for _ in range(MOST_ROUNDS):
            self._compute(todo)
            says = season_digest(*self._season_says())
            todo = [r.piece for r in self.records.values() if r.season != says]
            if not todo:
                break
            self._forget(todo)
            before.update({p: (SEASON,) for p in todo if p not in before})
        else:
            raise AssertionError("the season's rules did not settle")
        anew = self._finish(bool(before) or gone > 0)
        return Redone(tuple(sorted(before.items(), key=lambda x: x[0].lo)), len(pieces), gone, anew)

    def _compare(self, pieces: list[Piece], kept: Mapping[datetime, Record]) -> list[tuple[Piece, tuple[str, ...]]]:
        """Sets up the records of `pieces`; returns those to be computed, each with what changed for it."""
        self.records = {}
        stale: list[tuple[Piece, tuple[str, ...]]] = []
        depend = Dependencies(self.runs, self.campaign)
        for piece, segments in zip(pieces, all_touching(pieces, self.segments), strict=True):
            made_from = depend.of(piece, segments)
            old = kept.get(piece.lo)
            if old is None or old.piece != piece:
                stale.append((piece, (NEW,) if old is None else (LOGS,)))
            elif old.made_from != made_from:
                stale.append((piece, changed(old.made_from, made_from)))
            else:
                self.records[piece.lo] = old
                continue
            self.records[piece.lo] = Record(piece, made_from)
        return stale

    def _compute(self, pieces: list[Piece]) -> None:
        """Wind and windows of pieces; those beyond what memory holds with what the season says so far."""
        waiting: list[Waiting] = []
        wind: pl.DataFrame | None = None
        with ThreadPoolExecutor(1) as beside:
            for batch in self._batches(pieces):
                samples = self.store.read_samples(batch[0].lo, batch[-1].hi, CHANNELS)
                # The wind before goes into the store while this is worked out: the database waits for no interpreter.
                going_in = None if wind is None else beside.submit(self._add, "wind", wind)
                found, wind = self._examined(batch, samples)
                waiting += found
                if going_in is not None:
                    going_in.result()
                if sum(len(w.examined.track) for w in waiting) > WAITING_STEPS:
                    self._choose(waiting)
                    waiting = []
        if wind is not None:
            self._add("wind", wind)
        self._choose(waiting)

    def _examined(self, pieces: list[Piece], samples: pl.DataFrame) -> tuple[list[Waiting], pl.DataFrame]:
        """Neighbouring pieces without their windows, and the rows of their wind."""
        batch = Batch(pieces, samples, self.segments, self.sessions)
        records = [self.records[piece.lo] for piece in pieces]
        for record, votes in zip(records, batch.votes(), strict=True):
            record.votes = votes
        contrary = contrary_signs([r.votes for r in self.records.values() if r.votes])
        winds, examined = batch.examined(self.campaign, contrary, self.engine)
        for record, wind, piece in zip(records, winds, examined, strict=True):
            record.wind, record.step_s, record.lag = wind.notes, piece.track.step_s, piece.lag
        found = [Waiting(record, piece, contrary) for record, piece in zip(records, examined, strict=True)]
        return found, batch.wind_rows(winds)

    def _choose(self, waiting: list[Waiting]) -> None:
        lag = self._lag()
        possible = [possible_windows(w.examined, lag.lag_s) for w in waiting]
        for w, windows in zip(waiting, possible, strict=True):
            w.record.rungs = windows.counts
        _, rules = self._season_says()
        for w, windows in zip(waiting, possible, strict=True):
            made = chosen(w.examined, windows, rules)
            w.record.counts, w.record.memory = made.counts, made.memory.tolist()
            w.record.season = season_digest(w.contrary, rules)
            self.found[w.record.piece.lo] = made

    def _lag(self) -> SpeedLag:
        return settled_lag([r.lag for r in self.records.values()], self.campaign.boat.loa_m)

    def _season_says(self) -> tuple[tuple[str, ...], WindowRules]:
        """Channels of contrary sign, and the rules for windows, by the evidence that there is."""
        records = self.records.values()
        lag = self._lag()
        with_counts = [r for r in records if r.rungs]
        rules = rules_of(lag, [r.rungs for r in with_counts], [r.step_s for r in with_counts] or [1.0])
        contrary = contrary_signs([r.votes for r in records if r.votes])
        return contrary, rules

    def _batches(self, pieces: list[Piece]) -> Iterator[list[Piece]]:
        """Pieces in order, neighbours whose samples are few enough together."""
        order = {lo: i for i, lo in enumerate(self.records)}
        batch: list[Piece] = []
        for piece in pieces:
            if batch and (order[piece.lo] != order[batch[-1].lo] + 1 or self._rows([*batch, piece]) > READ_AT_ONCE):
                yield batch
                batch = []
            batch.append(piece)
        if batch:
            yield batch

    def _rows(self, pieces: list[Piece]) -> float:
        """About how many samples."""
        lo, hi = pieces[0].lo, pieces[-1].hi
        here = (r for r in self.runs if r.start < hi and r.end > lo)
        return sum((min(r.end, hi) - max(r.start, lo)).total_seconds() * r.rate_hz for r in here)

    def _forget(self, pieces: list[Piece]) -> None:
        """Take the rows of pieces out of the tables that are added to and will not be replaced as a whole."""
        for name, begins in ADDED_TO.items():
            if name in self.fresh or not self.store.has_table(name):
                continue
            delete = f"DELETE FROM {name} WHERE {begins} >= $lo AND {begins} < $hi"
            for piece in pieces:
                self.store.execute(delete, lo=piece.lo, hi=piece.hi)

    def _add(self, name: str, rows: pl.DataFrame) -> None:
        """Put rows of pieces into a table that is added to."""
        if name in self.fresh or not self.store.has_table(name):
            self.store.write_table(name, rows)
            self.fresh.discard(name)
        else:
            self.store.append(name, rows)

    def _finish(self, redone: bool) -> bool:
        """Tables of the season from those of its pieces; returns whether anything changed since the last run."""
        store, records = self.store, list(self.records.values())
        key = digest_of(
            *(repr((r.piece, sorted(r.made_from.items()), r.season)) for r in records),
            repr(None if self.campaign.settings_log is None else self.campaign.settings_log.rows()),
        )
        if store.fingerprint(STAGE) == key and not redone:
            return False
        _, rules = self._season_says()
        made = list(self.found.values())
        memory = season_memory((r.step_s, r.products) for r in records)
        windows = assemble(self._windows_of_pieces(as_table(made)), memory, self.sessions, self.campaign.settings_log)
        ingest = store.read_table("flags").filter(pl.col("stage") == "ingest")
        flags = [ingest, wind_flags(r.wind for r in records), season_flags((r.counts for r in records), windows.height)]
        store.write_table("segments", self.segments)
        store.write_table("sessions", self.sessions)
        store.write_table("windows", windows)
        self._add("set_aside", pl.concat([pl.DataFrame(schema=SET_ASIDE), *(piece.set_aside for piece in made)]))
        store.write_table("thresholds", rules.table())
        store.write_table("flags", pl.concat(flags, how="diagonal_relaxed"))
        write_records(store, records)
        store.set_fingerprint(STAGE, key)
        return True

    def _windows_of_pieces(self, made: pl.DataFrame) -> pl.DataFrame:
        """Windows of all pieces in order: of those computed now, and of the others as they were stored."""
        kept = [r for lo, r in self.records.items() if lo not in self.found]
        if kept:
            rows = self.store.read_table("windows")
            lows, highs = (pl.Series(times, dtype=pl.Datetime("us")) for times in _bounds(kept))
            at = lows.search_sorted(rows["start"], side="right").cast(pl.Int64) - 1
            place = at.clip(0)
            steps = pl.Series("step_s", [r.step_s for r in kept]).gather(place)
            inside = (at >= 0) & (rows["start"] < highs.gather(place))
            made = pl.concat([made, rows.with_columns(steps).filter(inside).select(list(WINDOWS))])
        return made.sort("start")


def _bounds(records: list[Record]) -> tuple[list[datetime], list[datetime]]:
    return [r.piece.lo for r in records], [r.piece.hi for r in records]

"""What a decoder, of NMEA 0183 or of CSV, hands on: one log, decoded, every line accounted for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.channels import GROUPS

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

REJECTED_SCHEMA: dict[str, pl.DataType] = {"line": pl.Int64(), "reason": pl.String(), "text": pl.String()}


@dataclass(frozen=True, slots=True)
class Track:
    """Readings of one source in order of time: UNIX times in us, and an array a channel (NaN where missing).

    `place` says in which order readings of the same time were sent.
    """

    source: str
    time_us: Ints
    place: Ints
    values: dict[str, Floats]

    def part(self, rows: slice | Ints | NDArray[np.bool_]) -> Track:
        """Some of the readings."""
        values = {name: v[rows] for name, v in self.values.items()}
        return Track(self.source, self.time_us[rows], self.place[rows], values)


def joined(tracks: Sequence[Track]) -> Track:
    """Tracks of one source as one, in order of time; readings of the same time in the order of the tracks."""
    if len(tracks) == 1:
        return tracks[0]
    names = list(dict.fromkeys(name for track in tracks for name in track.values))
    whole = Track(
        tracks[0].source,
        np.concatenate([t.time_us for t in tracks]),
        np.concatenate([t.place for t in tracks]),
        {n: np.concatenate([t.values.get(n, np.full(len(t.time_us), np.nan)) for t in tracks]) for n in names},
    )
    back = whole.time_us[1:] < whole.time_us[:-1]
    return whole.part(np.argsort(whole.time_us, kind="stable")) if back.any() else whole


# The readings of a part of a log: by channel group, a track a source.
Chunk = Mapping[str, Sequence[Track]]


class Readings(Mapping[str, pl.DataFrame]):
    """A log's readings as frames by channel group, put together from chunks only when they are looked at."""

    def __init__(self, chunks: Sequence[Chunk]) -> None:
        """Readings of these chunks, which follow one another in the log."""
        self.chunks = chunks
        found = {group for chunk in chunks for group, tracks in chunk.items() if any(len(t.time_us) for t in tracks)}
        self._groups = [g for g in GROUPS if g in found] + sorted(found.difference(GROUPS))

    def __len__(self) -> int:
        """Number of groups."""
        return len(self._groups)

    def __iter__(self) -> Iterator[str]:
        """The groups that have readings, those of the catalogue first."""
        return iter(self._groups)

    def __getitem__(self, group: str) -> pl.DataFrame:
        """Columns `time`, `source` and the channels of the group."""
        if group not in self._groups:
            raise KeyError(group)
        tracks = [track for chunk in self.chunks for track in chunk.get(group, ())]
        channels = [c.name for c in GROUPS[group]] if group in GROUPS else [group]
        sources = sorted({track.source for track in tracks})
        code = {source: i for i, source in enumerate(sources)}
        codes = np.concatenate([np.full(len(t.time_us), code[t.source]) for t in tracks])
        time_us = np.concatenate([t.time_us for t in tracks])
        order = np.lexsort((codes, np.concatenate([t.place for t in tracks]), time_us))
        columns = [
            pl.Series("time", time_us[order]).cast(pl.Datetime("us")),
            pl.Series("source", sources, dtype=pl.String)[codes[order]],
        ]
        for name in channels:
            missing = [t.values.get(name) for t in tracks]
            parts = [np.full(len(t.time_us), np.nan) if v is None else v for t, v in zip(tracks, missing, strict=True)]
            columns.append(pl.Series(name, np.concatenate(parts)[order], nan_to_null=True))
        return pl.DataFrame(columns)


def chunks_of(readings: Mapping[str, pl.DataFrame]) -> Sequence[Chunk]:
    """Readings as chunks, if they were not chunks from the beginning."""
    if isinstance(readings, Readings):
        return readings.chunks
    return [{group: _tracks(frame) for group, frame in readings.items() if frame.height}]


def _tracks(frame: pl.DataFrame) -> list[Track]:
    frame = frame.with_row_index("place")
    parts = frame.partition_by("source", maintain_order=True) if frame["source"].n_unique() > 1 else [frame]
    out = []
    for part in parts:
        names = [c for c in part.columns if c not in ("time", "source", "place")]
        values = {n: part[n].cast(pl.Float64).fill_null(float("nan")).to_numpy() for n in names}
        place = part["place"].to_numpy().astype(np.int64)
        out.append(Track(part["source"][0], part["time"].cast(pl.Int64).to_numpy(), place, values))
    return out


@dataclass(frozen=True, slots=True)
class DecodedLog:
    """One log file, decoded.

    `readings`: by channel group (see `pipeline.channels.GROUPS`; a further transducer is a group of its own name), a
    frame with columns `time` (naive UTC, `Datetime("us")`, never null, ascending), `source` (talker and sentence such
    as `WIMWV`, or `csv`), and one `Float64` column a channel of the group (null where missing, values in house units,
    both channels never null in one row).
    `lines == used + passed_over + rejected lines`; `rejected` has one row a damaged line (columns of
    `REJECTED_SCHEMA`, text cut to 200 characters).
    `dated` is False where the log holds times of day but no date: times then count from 1970-01-01 and the caller adds
    the date.
    `counts`: what was noticed, reason -> number (a date 1,024 weeks off put right, time that went back, ...).
    """

    lines: int
    used: int
    passed_over: int
    rejected: pl.DataFrame
    readings: Mapping[str, pl.DataFrame]
    dated: bool
    counts: Mapping[str, int] = field(default_factory=dict)

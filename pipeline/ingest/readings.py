"""What a decoder, of NMEA 0183 or of CSV, hands on: one log, decoded, every line accounted for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.channels import GROUPS, in_order_of_groups
from pipeline.ingest.spool import Spool

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

    def shifted(self, shift_us: int) -> Track:
        """The same readings at other times."""
        return Track(self.source, self.time_us + shift_us, self.place, self.values)

    @property
    def nbytes(self) -> int:
        """How much memory the arrays take."""
        return self.time_us.nbytes + self.place.nbytes + sum(v.nbytes for v in self.values.values())


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


class Chunks:
    """The chunks of one log, kept on the disk where they are many; with `sizes`, the number of readings by group.

    `spans`: first and last time in each chunk, None for one without readings.
    """

    def __init__(self, folder: Path | None = None) -> None:
        """No chunks yet; in `folder` they may be kept."""
        self.folder = folder
        self._spool: Spool[Chunk] = Spool(folder)
        self._shift_us = 0
        self.sizes: dict[str, int] = {}
        self.spans: list[tuple[int, int] | None] = []

    def append(self, chunk: Chunk) -> None:
        """Put a chunk behind the others."""
        tracks = [track for tracks in chunk.values() for track in tracks if len(track.time_us)]
        for group, here in chunk.items():
            self.sizes[group] = self.sizes.get(group, 0) + sum(len(t.time_us) for t in here)
        first, last = [int(t.time_us[0]) for t in tracks], [int(t.time_us[-1]) for t in tracks]
        self.spans.append((min(first), max(last)) if tracks else None)
        self._spool.append(chunk, sum(t.nbytes for t in tracks))

    @property
    def is_in_memory(self) -> bool:
        """Whether none of them is on the disk."""
        return self._spool.is_in_memory

    def shifted(self, shift_us: int) -> Chunks:
        """The same chunks with their times moved."""
        out = Chunks(self.folder)
        out._spool, out._shift_us, out.sizes = self._spool, self._shift_us + shift_us, self.sizes
        out.spans = [span and (span[0] + shift_us, span[1] + shift_us) for span in self.spans]
        return out

    def __len__(self) -> int:
        """Number of chunks."""
        return len(self._spool)

    def __getitem__(self, i: int) -> Chunk:
        """Chunk i."""
        chunk = self._spool[i]
        if not self._shift_us:
            return chunk
        return {group: [t.shifted(self._shift_us) for t in tracks] for group, tracks in chunk.items()}

    def __iter__(self) -> Iterator[Chunk]:
        """The chunks in order."""
        return (self[i] for i in range(len(self)))

    def close(self) -> None:
        """Give the room on the disk back."""
        self._spool.close()


class Readings(Mapping[str, pl.DataFrame]):
    """A log's readings as frames by channel group, put together from chunks only when they are looked at."""

    def __init__(self, chunks: Chunks) -> None:
        """Readings of these chunks, which follow one another in the log."""
        self.chunks = chunks
        self._groups = in_order_of_groups(group for group, size in chunks.sizes.items() if size)

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


def chunks_of(readings: Mapping[str, pl.DataFrame], folder: Path | None = None) -> Chunks:
    """Readings as chunks, if they were not chunks from the beginning; in `folder` they may be kept."""
    if isinstance(readings, Readings):
        return readings.chunks
    chunks = Chunks(folder)
    chunks.append({group: _tracks(frame) for group, frame in readings.items() if frame.height})
    return chunks


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

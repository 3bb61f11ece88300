"""One log file read, decoded and merged in one go: from its path to what the store takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import chain
from pathlib import Path

import polars as pl

from pipeline.campaign.settings import Boat, CsvLayout
from pipeline.ingest.clock import EPOCH
from pipeline.ingest.csv_logs import decode_csv
from pipeline.ingest.log_files import HEAD_BYTES, Kind, LogReader, UnreadableLog, kind_of, share_of_sentences
from pipeline.ingest.nmea0183 import decode_pieces
from pipeline.ingest.readings import REJECTED_SCHEMA, DecodedLog, Readings, chunks_of
from pipeline.ingest.scan import whole_lines
from pipeline.ingest.workers import Workers


@dataclass(frozen=True, slots=True)
class ReadLog:
    """A log that was read to its end; `decoded` is None where `problem` says why it cannot be used.

    `line` is the line that the problem is in, where it is in one.
    """

    sha256: str = ""
    is_blank: bool = False
    cut_short: bool = False
    kind: Kind | None = None
    decoded: DecodedLog | None = None
    problem: str | None = None
    line: int | None = None

    @property
    def first_time(self) -> datetime | None:
        """The time of its first reading."""
        if self.decoded is None:
            return None
        spans = [span for span in chunks_of(self.decoded.readings).spans if span is not None]
        return EPOCH + timedelta(microseconds=min(first for first, _ in spans)) if spans else None


@dataclass(frozen=True, slots=True)
class Reading:
    """How the logs of a campaign are read. `folder` is where much of a long log may be kept meanwhile."""

    boat: Boat
    folder: Path

    def read(
        self,
        path: Path,
        name: str,
        *,
        season: tuple[date, date] | None = None,
        first_date: date | None = None,
        workers: Workers | None = None,
    ) -> ReadLog:
        """The log, decoded; nothing is raised for what is wrong with it."""
        reader = LogReader(path)
        kind: Kind | None = None
        try:
            blocks = reader.blocks()
            head = _head(blocks)
            kind, layout = kind_of(name, head, self.boat.csv)
            if layout is not None:
                decoded = self._csv(reader, b"".join([head, *blocks]), layout, first_date)
            else:
                decoded = decode_pieces(
                    whole_lines(chain([head], blocks)),
                    reader.again(),
                    transducers=self.boat.channels.transducers,
                    season=season,
                    workers=workers,
                    path=path if reader.is_plain else None,
                    folder=self.folder,
                )
                if reader.is_blank:
                    decoded = _blank(decoded.lines)
        except UnreadableLog as error:
            return ReadLog(kind=kind, problem=str(error))
        except ValueError as error:
            return ReadLog(kind=kind, problem=f"cannot be read as CSV: {error}")
        read = ReadLog(reader.sha256, reader.is_blank, reader.cut_short, kind, decoded)
        return read if decoded.used or reader.is_blank else _judged(read, head)

    def _csv(self, reader: LogReader, data: bytes, layout: CsvLayout, first_date: date | None) -> DecodedLog:
        if reader.is_blank:
            return _blank(len(data.splitlines()))
        decoded = decode_csv(data, layout, time_zone=self.boat.instruments.time_zone, first_date=first_date)
        return replace(decoded, readings=Readings(chunks_of(decoded.readings, self.folder)))


def _head(blocks: Iterator[bytes]) -> bytes:
    """The first blocks, enough to tell what kind of log it is."""
    parts: list[bytes] = []
    for block in blocks:
        parts.append(block)
        if sum(map(len, parts)) >= HEAD_BYTES:
            break
    return b"".join(parts)


def _blank(lines: int) -> DecodedLog:
    none = pl.DataFrame(schema=REJECTED_SCHEMA)
    return DecodedLog(lines, 0, lines, none, {}, True, {"logs without any text": 1})


def _judged(read: ReadLog, head: bytes) -> ReadLog:
    """A log of which not one line could be used; one of sentences of no use here is let be."""
    assert read.decoded is not None
    if read.kind == "nmea":
        if share_of_sentences(head) > 0:
            return read
        what = "holds no line that could be used: it is neither NMEA 0183 nor a CSV that [csv] in boat.toml describes"
        return replace(read, decoded=None, problem=f"{what}; take it out of logs/ or describe it there")
    if read.decoded.rejected.is_empty():
        return read
    line, reason, text = read.decoded.rejected.row(0)
    what = f"no line of the CSV could be used: {reason} (line reads {text[:60]!r}); see [csv] in boat.toml"
    return replace(read, decoded=None, problem=what, line=line)

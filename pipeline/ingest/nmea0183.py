"""NMEA 0183 logs: bytes in, readings with their times out, every line accounted for.

Steps, each on whole arrays of bytes or columns: cut at line ends and find sentences and checksums (`scan`); in each
piece (`piece`) read what stands in front (`stamps`) and the fields of all sentences (`sentences`, `fields`, `xdr`);
make one clock of all the times met (`file_clock`, `clock`), and give every reading its time. What is held of a piece
is compact, and of a long log it is kept on the disk (`spool`).

A line is rejected when any part of it is damaged (`reasons`); the sound sentences in it are read all the same. It is
used when a sentence of a known kind in it is sound, even if its fields are blank, and passed over otherwise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np

from pipeline.ingest.account import Account, Again
from pipeline.ingest.clock import NO_TIME, Clock, Ints
from pipeline.ingest.file_clock import clock_of
from pipeline.ingest.labels import labels_of, rows_by_label
from pipeline.ingest.log_files import ascii_superset, part_of
from pipeline.ingest.nmea_file import NmeaFile, SentenceKind
from pipeline.ingest.piece import Part, read_piece
from pipeline.ingest.readings import Chunk, Chunks, DecodedLog, Readings, Track
from pipeline.ingest.scan import whole_lines
from pipeline.ingest.workers import Workers

# Larger pieces leave the processor's cache, in smaller ones the fixed costs show.
PIECE_BYTES = 2 << 20


_Piece = tuple[int, bytes | int]  # where it begins, and its bytes or how many they are


def decode_nmea(data: bytes, *, transducers: Mapping[str, str], season: tuple[date, date] | None) -> DecodedLog:
    """Decodes a whole NMEA 0183 log that is in memory; see `decode_pieces`.

    Text is an ASCII superset, or UTF-16 with its byte-order mark.
    """
    data = b"".join(ascii_superset([data]))
    blocks = (data[at : at + PIECE_BYTES] for at in range(0, len(data), PIECE_BYTES))
    return decode_pieces(
        whole_lines(blocks), lambda at, size: data[at : at + size], transducers=transducers, season=season
    )


def decode_pieces(
    pieces: Iterable[bytes],
    again: Again,
    *,
    transducers: Mapping[str, str],
    season: tuple[date, date] | None,
    workers: Workers | None = None,
    path: Path | None = None,
    folder: Path | None = None,
) -> DecodedLog:
    """Decodes an NMEA 0183 log that comes in pieces of whole lines.

    `again` gives some of its bytes once more. `transducers` maps names in XDR sentences to channels; `season` is when
    the campaign is known to have been, by which dates 1,024 weeks off are told. `workers` read several pieces at once,
    and from the file itself where its bytes lie just so at `path`, which is quicker than to send them. In `folder` much
    of a long log is kept while it is worked on. Nothing is raised on any bytes. The same data give the
    same result however they are cut and whoever reads them.
    """
    file = NmeaFile(folder)
    cut: Iterable[_Piece] = _with_offsets(pieces)
    read = partial(_read, transducers=transducers, path=path)
    if workers is not None and path is not None:
        cut = ((at, len(piece)) for at, piece in cut)
    for part in map(read, cut) if workers is None else workers.in_order(read, cut):
        file.add(part)
    counts: dict[str, int] = {}
    ignored = file.ignored
    clock = clock_of(file, ignored, season, counts)
    account, chunks, labels = Account(), Chunks(folder), labels_of(file.kinds)

    for number, part in enumerate(file.parts):
        chunk, late = _timed(part, file.first_place[number], ignored, labels, clock)
        account.add(file, number, part, late, again)
        chunks.append(chunk)
    file.parts.close()
    rejected = account.rejected()
    return DecodedLog(
        lines=file.lines,
        used=account.used,
        passed_over=file.lines - account.used - rejected.height,
        rejected=rejected,
        readings=Readings(chunks),
        dated=clock.dated,
        counts=counts,
    )


def _read(piece: _Piece, transducers: Mapping[str, str], path: Path | None) -> Part:
    at, data = piece
    return read_piece(data if isinstance(data, bytes) else part_of(path, at, data), at, transducers)


def _with_offsets(pieces: Iterable[bytes]) -> Iterator[tuple[int, bytes]]:
    at = 0
    for piece in pieces:
        yield at, piece
        at += len(piece)


def _timed(
    part: Part, first: int, ignored: Ints, labels: Mapping[SentenceKind, tuple[str, str]], clock: Clock
) -> tuple[Chunk, Ints]:
    """A part's readings with their times, and the places in it for which there is none."""
    time_us = clock.at(np.arange(first, first + part.places))
    wanted = np.ones(part.places, bool)
    wanted[ignored[slice(*np.searchsorted(ignored, [first, first + part.places]))] - first] = False
    timeless = time_us == NO_TIME
    whole = bool(wanted.all()) and not timeless.any()
    chunk: dict[str, list[Track]] = defaultdict(list)
    untimed = np.zeros(part.places, bool)
    for (group, source), rows in rows_by_label(part, labels).items():
        place, values = rows.place, rows.values
        if not whole:
            untimed[place[wanted[place] & timeless[place]]] = True
            kept = wanted[place] & ~timeless[place]
            place, values = place[kept], {name: v[kept] for name, v in values.items()}
        track = Track(source, time_us[place], place + first, values)
        if (track.time_us[1:] < track.time_us[:-1]).any():
            track = track.part(np.argsort(track.time_us, kind="stable"))
        if len(place):
            chunk[group].append(track)
    return dict(chunk), np.flatnonzero(untimed)

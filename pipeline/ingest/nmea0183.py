"""NMEA 0183 logs: bytes in, readings with their times out, every line accounted for.

Steps, each on whole arrays of bytes or columns: cut at line ends and find sentences and checksums (`scan`); in each
piece (`piece`) read what stands in front (`stamps`) and the fields of each kind of sentence (`sentences`, `fields`,
`xdr`); make one clock of all the times met (`clock`), and give every reading its time.

A line is rejected when any part of it is damaged (`reasons`); the sound sentences in it are read all the same. It is
used when a sentence of a known kind in it is sound, even if its fields are blank, and passed over otherwise.
"""

from __future__ import annotations

import codecs
from collections import defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.channels import BY_NAME, GROUPS
from pipeline.ingest import bursts, csv_lines, reasons
from pipeline.ingest.clock import NO_TIME, Anchors, Bools, Clock, Ints, build_clock
from pipeline.ingest.piece import SENTENCE_RANK, STAMP_RANK, Part, Rows, read_piece
from pipeline.ingest.readings import REJECTED_SCHEMA, Chunk, DecodedLog, Floats, Readings, Track
from pipeline.ingest.scan import Bytes, cut_at_line_ends
from pipeline.threads import allowed

MOST_THREADS = 4
# Larger pieces leave the processor's cache, in smaller ones the fixed costs show.
LEAST_PIECE_BYTES, MOST_PIECE_BYTES = 1 << 20, 2 << 20
STAMP_DISAGREES = "time stamps more than a minute from the sentences' own times (median)"
STAMP_DISAGREES_US = 60_000_000
TEXT_CHARACTERS = 200
_VISIBLE = {code: 0x2400 + code for code in range(32) if code != 10} | {127: 0x2421}
PASSED_OVER, USED, REJECTED = range(3)


def piece_bytes(size: int, threads: int) -> int:
    """How large the pieces of a file should be: within the limits, and the same number of them for each thread."""
    rounds = -(-size // (MOST_PIECE_BYTES * threads))
    return max(-(-size // max(rounds * threads, 1)), LEAST_PIECE_BYTES)


def decode_nmea(data: bytes, *, transducers: Mapping[str, str], season: tuple[date, date] | None) -> DecodedLog:
    """Decodes a whole NMEA 0183 log.

    `transducers` maps names in XDR sentences to channels; `season` is when the campaign is known to have been, by which
    dates 1,024 weeks off are told. Nothing is raised on any bytes. The same data give the same result whatever the
    number of threads. Text is an ASCII superset, or UTF-16 with its byte-order mark.
    """
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        data = csv_lines.plain_text(data)
    threads = min(allowed(), MOST_THREADS)
    pieces = list(cut_at_line_ends(data, piece_bytes(len(data), threads)))
    if len(pieces) <= 1:
        parts = [read_piece(data, start, end, transducers) for start, end in pieces]
    else:
        with ThreadPoolExecutor(threads) as pool:
            parts = list(pool.map(lambda span: read_piece(data, span[0], span[1], transducers), pieces))
    return _finished(data, parts, season)


@dataclass(frozen=True, slots=True)
class _File:
    """The parts put together: the place where each part's sentences and lines begin, and what is decided file-wide."""

    parts: list[Part]
    first_place: Ints
    first_line: Ints
    sums_expected: bool
    stamps_expected: bool


def _finished(data: bytes, parts: list[Part], season: tuple[date, date] | None) -> DecodedLog:
    first_place = np.concatenate([[0], np.cumsum([len(p.line_of) for p in parts])]).astype(np.int64)
    first_line = np.concatenate([[0], np.cumsum([len(p.line_start) for p in parts])]).astype(np.int64)
    summed, stamped = sum(p.with_sum for p in parts), sum(p.stamped for p in parts)
    file = _File(
        parts,
        first_place,
        first_line,
        sums_expected=summed > sum(len(p.unsummed) for p in parts),
        stamps_expected=stamped > sum(len(p.foreign) for p in parts),
    )
    counts: dict[str, int] = {}
    ignored = _ignored_places(file)
    clock = _with_bursts(_clock(file, ignored, season, counts), file)
    chunks, untimed = _readings(file, ignored, clock)
    status, rejected = _accounts(data, file, ignored, untimed)
    return DecodedLog(
        lines=int(first_line[-1]),
        used=int((status == USED).sum()),
        passed_over=int((status == PASSED_OVER).sum()),
        rejected=rejected,
        readings=Readings(chunks),
        dated=clock.dated,
        counts=counts,
    )


def _ignored_places(file: _File) -> Ints:
    """Places of the sentences without checksum, where the file otherwise has them."""
    if not file.sums_expected:
        return np.zeros(0, np.int64)
    return np.concatenate([p.unsummed + k for p, k in zip(file.parts, file.first_place, strict=False)])


def _among(place: Ints, wanted: Ints) -> Bools:
    """Which of the places are among the wanted ones (ascending)."""
    if not len(wanted):
        return np.zeros(len(place), bool)
    at = np.minimum(np.searchsorted(wanted, place), len(wanted) - 1)
    return wanted[at] == place


def _clock(file: _File, ignored: Ints, season: tuple[date, date] | None, counts: dict[str, int]) -> Clock:
    gathered: dict[tuple[int, bool, str], list[tuple[Ints, Ints]]] = defaultdict(list)
    for part, first in zip(file.parts, file.first_place, strict=False):
        for key, (place, time_us) in part.anchors.items():
            gathered[key].append((place + first, time_us))
    sources = []
    for (rank, dated, name), pairs in gathered.items():
        place, time_us = (np.concatenate(x) for x in zip(*pairs, strict=True))
        if rank >= SENTENCE_RANK:
            keep = ~_among(place, ignored)
            place, time_us = place[keep], time_us[keep]
        sources.append(
            (
                not dated,
                rank,
                -len(place),
                name,
                Anchors(name, place, time_us, dated, rank < SENTENCE_RANK, rank > STAMP_RANK),
            )
        )
    ordered = [s[-1] for s in sorted(sources, key=lambda s: s[:-1])]
    clock = build_clock(ordered, season)
    counts.update(clock.counts)
    _note_disagreement(ordered, counts)
    return clock


def _with_bursts(clock: Clock, file: _File) -> Clock:
    """The clock, with the places of bursts where the log is written in bursts."""
    if len(clock.place) < bursts.LEAST_BURSTS:
        return clock
    kinds = sorted({key for part in file.parts for key, _ in _kinds_of(part)})
    number = {key: i for i, key in enumerate(kinds)}
    parts = list(zip(file.parts, file.first_place, strict=False))
    place, kind = _labelled_places(parts, number)
    last, tail = _labelled_places(parts[::-1], number)
    found = bursts.first_of_bursts(
        place,
        kind,
        clock.place,
        tail=tail,
        tail_is_read=len(last) > 0 and int(last[-1]) == int(file.first_place[-1]) - 1,
        usual_step_us=clock.usual_step_us,
    )
    if found is None:
        return clock
    lead, follower = (_places_of(file, kinds[kind]) for kind in found)
    return clock.in_bursts(bursts.starts_of_bursts(lead, follower))


_SentenceKind = tuple[str, str, str]


def _kinds_of(part: Part) -> Iterator[tuple[_SentenceKind, Ints]]:
    """The kinds of sentences that were read in a part, those that carry a time first, and their places in it."""
    for (_, _, source), (place, _) in part.anchors.items():
        yield ("", source, ""), place
    for key, rows in part.readings.items():
        yield key, rows.place


def _labelled_places(parts: list[tuple[Part, int]], kinds: Mapping[_SentenceKind, int]) -> tuple[Ints, Ints]:
    """Places and kinds of the sentences read in the first few of `parts`, one kind a place, ascending."""
    places, labels, count = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)], 0
    for part, first in parts:
        for key, here in _kinds_of(part):
            places.append(here + first)
            labels.append(np.full(len(here), kinds[key]))
        count += len(part.line_of)
        if count > bursts.LOOKED_AT:
            break
    place, label = np.concatenate(places), np.concatenate(labels)
    order = np.lexsort((label, place))
    place, at = np.unique(place[order], return_index=True)
    return place, label[order][at]


def _places_of(file: _File, kind: _SentenceKind) -> Ints:
    """Places of all sentences of one kind, ascending."""
    found = [
        here + first
        for part, first in zip(file.parts, file.first_place, strict=False)
        for key, here in _kinds_of(part)
        if key == kind
    ]
    return np.unique(np.concatenate(found)) if found else np.zeros(0, np.int64)


def _note_disagreement(sources: list[Anchors], counts: dict[str, int]) -> None:
    """Counts stamps that follow another clock than the satellite times in the same sentences."""
    if len(sources) < 2 or not sources[0].own or sources[1].own or not sources[1].dated:
        return
    stamp, told = sources[0], sources[1]
    both, at, other = np.intersect1d(stamp.place, told.place, assume_unique=True, return_indices=True)
    if len(both):
        apart = np.abs(stamp.time_us[at] - told.time_us[other])
        if float(np.median(apart)) > STAMP_DISAGREES_US:
            counts[STAMP_DISAGREES] = len(both)


def _readings(file: _File, ignored: Ints, clock: Clock) -> tuple[list[Chunk], Ints]:
    """Readings by group with their times, and the places of those for which there is none."""
    labels = _labels(file)
    chunks, untimed = [], [np.zeros(0, np.int64)]
    for part, first in zip(file.parts, file.first_place, strict=False):
        chunk: dict[str, list[Track]] = defaultdict(list)
        time_us = clock.at(np.arange(first, first + len(part.line_of)))
        wanted = np.ones(len(time_us), bool)
        wanted[ignored[slice(*np.searchsorted(ignored, [first, first + len(time_us)]))] - first] = False
        timeless = time_us == NO_TIME
        whole = bool(wanted.all()) and not timeless.any()
        for (group, source), rows in _rows_by_label(part, labels).items():
            place, values = rows.place, rows.values
            if not whole:
                untimed.append(place[wanted[place] & timeless[place]] + first)
                kept = wanted[place] & ~timeless[place]
                place, values = place[kept], {name: v[kept] for name, v in values.items()}
            track = Track(source, time_us[place], place + first, values)
            if (track.time_us[1:] < track.time_us[:-1]).any():
                track = track.part(np.argsort(track.time_us, kind="stable"))
            if len(place):
                chunk[group].append(track)
        chunks.append(chunk)
    return chunks, np.unique(np.concatenate(untimed))


def _group_of(channel: str) -> str:
    return BY_NAME[channel].group if channel in BY_NAME else channel


def _labels(file: _File) -> dict[_SentenceKind, tuple[str, str]]:
    """Group and source of each kind of reading. Two transducers of one talker for one channel are two sources."""
    kinds = {key for part in file.parts for key in part.readings}
    names: dict[str, set[str]] = defaultdict(set)
    for channel, _, plain in kinds:
        names[_group_of(channel)].add(plain)
    labels = {}
    for channel, source, plain in kinds:
        group = _group_of(channel)
        alone = len(names[group] - {""}) < 2 or len(GROUPS.get(group, ())) > 1
        labels[channel, source, plain] = group, source if alone or not plain else f"{source}:{plain}"
    return labels


def _rows_by_label(part: Part, labels: Mapping[_SentenceKind, tuple[str, str]]) -> dict[tuple[str, str], Rows]:
    """Readings by group and source; what several transducers of one sentence say of one group is put together."""
    gathered: dict[tuple[str, str], list[_SentenceKind]] = defaultdict(list)
    for key in sorted(part.readings, key=lambda k: k[1:]):
        gathered[labels[key]].append(key)
    out = {}
    for (group, source), keys in gathered.items():
        found = [part.readings[key] for key in keys]
        several = len(GROUPS.get(group, ())) > 1 and any(plain for _, _, plain in keys)
        out[group, source] = _together(found) if several else _behind_each_other(found)
    return out


def _behind_each_other(found: list[Rows]) -> Rows:
    if len(found) == 1:
        return found[0]
    place = np.concatenate([r.place for r in found])
    order = np.argsort(place, kind="stable")
    names = dict.fromkeys(n for r in found for n in r.values)
    return Rows(place[order], {n: np.concatenate([r.values[n] for r in found])[order] for n in names})


def _together(found: list[Rows]) -> Rows:
    """One row a sentence, of each channel the first value that there is."""
    place, row = np.unique(np.concatenate([r.place for r in found]), return_inverse=True)
    values: dict[str, Floats] = {}
    sizes = np.cumsum([len(r.place) for r in found])[:-1]
    for rows, at in reversed(list(zip(found, np.split(row, sizes), strict=True))):
        for name, v in rows.values.items():
            known = np.flatnonzero(~np.isnan(v))[::-1]
            values.setdefault(name, np.full(len(place), np.nan))[at[known]] = v[known]
    return Rows(place, values)


def _accounts(data: bytes, file: _File, ignored: Ints, untimed: Ints) -> tuple[Bytes, pl.DataFrame]:
    """Status of every line (0 passed over, 1 used, 2 rejected), and the rejected ones."""
    status = np.zeros(int(file.first_line[-1]), np.uint8)
    tables, texts = [], []
    for part, place, line in zip(file.parts, file.first_place, file.first_line, strict=False):
        late = untimed[(untimed >= place) & (untimed < place + len(part.line_of))] - place
        mine = status[line : line + len(part.line_start)]
        _mark_used(part, mine, part.unsummed if file.sums_expected else ignored[:0])
        damage = _damage(part, file, late)
        mine[damage["line"].to_numpy()] = REJECTED
        tables.append(damage.with_columns(pl.col("line") + int(line) + 1))
        texts.append(_texts(data, part, damage["line"].to_numpy()))
    if not tables:
        return status, pl.DataFrame(schema=REJECTED_SCHEMA)
    rejected = pl.concat(tables)
    why = pl.Series(reasons.REASONS, dtype=pl.String)[rejected["reason"].to_numpy()]
    return status, rejected.with_columns(why.alias("reason"), pl.concat(texts).alias("text")).select(
        pl.col(name).cast(dtype) for name, dtype in REJECTED_SCHEMA.items()
    )


def _mark_used(part: Part, status: Bytes, without: Ints) -> None:
    for places in part.used:
        sound = places if not len(without) else places[~_among(places, without)]
        status[part.line_of[sound]] = USED


def _damage(part: Part, file: _File, late: Ints) -> pl.DataFrame:
    """One row a damaged line, with the first reason met in it."""
    found = list(part.damage)
    if file.sums_expected and len(part.unsummed):
        found.append((part.line_of[part.unsummed], part.unsummed, reasons.CODE[reasons.MISSING_SUM]))
    if file.stamps_expected and len(part.foreign):
        found.append((part.line_of[part.foreign], part.foreign, reasons.CODE[reasons.BAD_STAMP]))
    if len(late):
        found.append((part.line_of[late], late, reasons.CODE[reasons.UNTIMED]))
    frames = [
        pl.DataFrame({"line": line, "place": place, "reason": np.full(len(line), code)}) for line, place, code in found
    ]
    schema = {"line": pl.Int64, "place": pl.Int64, "reason": pl.Int64}
    every = pl.concat([pl.DataFrame(schema=schema), *frames])
    return every.sort("line", "place", "reason").unique("line", keep="first", maintain_order=True).drop("place")


def _texts(data: bytes, part: Part, lines: Ints) -> pl.Series:
    """The lines' texts, cut to TEXT_CHARACTERS, control bytes shown by their pictures."""
    if not len(lines):
        return pl.Series("text", [], pl.String)
    start = part.line_start[lines] + part.offset
    size = np.minimum(part.line_end[lines] + part.offset - start, TEXT_CHARACTERS) + 1
    ends = np.cumsum(size)
    at = np.arange(ends[-1]) - np.repeat(ends - size, size) + np.repeat(start, size)
    raw = np.frombuffer(data, np.uint8)[np.minimum(at, len(data) - 1)]
    raw[ends - 1] = ord("\n")
    shown = raw.tobytes().decode("utf-8", "replace").split("\n")[:-1]
    visible = "\n".join(shown).translate(_VISIBLE)
    return pl.Series("text", visible.split("\n"), pl.String)

"""The clock of an NMEA 0183 log, made of what all its pieces say of time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

import numpy as np

from pipeline.ingest import bursts
from pipeline.ingest.clock import Anchors, Clock, Ints, build_clock
from pipeline.ingest.nmea_file import AnchorKey, NmeaFile, SentenceKind, among, kinds_of
from pipeline.ingest.piece import SENTENCE_RANK, STAMP_RANK

STAMP_DISAGREES = "time stamps more than a minute from the sentences' own times (median)"
STAMP_DISAGREES_US = 60_000_000


def clock_of(file: NmeaFile, ignored: Ints, season: tuple[date, date] | None, counts: dict[str, int]) -> Clock:
    """One clock for a file, of all the times but those at the `ignored` places; `counts` gets what was noticed."""
    sizes = {key: _size(file, key, ignored) for key in file.anchors}
    # dated ones first, then by rank, then the busier
    ordered = sorted(sizes, key=lambda key: (not key[1], key[0], -sizes[key], key[2]))

    def anchors() -> Iterator[Anchors]:
        stamp: Anchors | None = None
        for number, key in enumerate(ordered):
            made = _anchors(file, key, ignored)
            if number == 0 and made.own:
                stamp = made
            if number == 1 and stamp is not None and made.dated and not made.own:
                _note_disagreement(stamp, made, counts)
            yield made

    clock = build_clock(anchors(), season)
    counts.update(clock.counts)
    return _with_bursts(clock, file)


def _size(file: NmeaFile, key: AnchorKey, ignored: Ints) -> int:
    """How many anchors one source has that are not ignored."""
    if key[0] < SENTENCE_RANK or not len(ignored):
        return sum(len(place) for place, _ in file.anchors[key])
    return sum(len(place) - int(among(place, ignored).sum()) for place, _ in file.anchors[key])


def _anchors(file: NmeaFile, key: AnchorKey, ignored: Ints) -> Anchors:
    """The anchors of one source, taken out of the file bit by bit, for they may be one a sentence."""
    rank, dated, _ = key
    pairs = file.anchors.pop(key)[::-1]
    size, at = sum(len(p) for p, _ in pairs), 0
    place, time_us = np.empty(size, np.int64), np.empty(size, np.int64)
    while pairs:
        here, times = pairs.pop()
        place[at : at + len(here)], time_us[at : at + len(here)] = here, times
        at += len(here)
    if rank >= SENTENCE_RANK and len(ignored):
        keep = ~among(place, ignored)
        place, time_us = place[keep], time_us[keep]
    return Anchors(place, time_us, dated, rank < SENTENCE_RANK, rank > STAMP_RANK)


def _with_bursts(clock: Clock, file: NmeaFile) -> Clock:
    """The clock, with the places of bursts where the log is written in bursts."""
    if len(clock.place) < bursts.LEAST_BURSTS:
        return clock
    kinds = sorted(file.kinds)
    number = {key: i for i, key in enumerate(kinds)}
    order = range(len(file.parts))
    place, kind = _labelled_places(file, order, number)
    last, tail = _labelled_places(file, order[::-1], number)
    found = bursts.first_of_bursts(
        place,
        kind,
        clock.place,
        tail=tail,
        tail_is_read=len(last) > 0 and int(last[-1]) == file.places - 1,
        usual_step_us=clock.usual_step_us,
    )
    if found is None:
        return clock
    lead, follower = _places_of(file, [kinds[i] for i in found])
    return clock.in_bursts(bursts.starts_of_bursts(lead, follower))


def _labelled_places(file: NmeaFile, parts: Iterable[int], kinds: Mapping[SentenceKind, int]) -> tuple[Ints, Ints]:
    """Places and kinds of the sentences read in the first few of `parts`, one kind a place, ascending."""
    places, labels, count = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)], 0
    looked_at = []
    for i in parts:
        looked_at.append(i)
        count += file.sizes[i]
        if count > bursts.LOOKED_AT:
            break
    for i in sorted(looked_at):
        part = file.parts[i]
        label = np.full(part.places, -1)
        for key, here in sorted(kinds_of(part), key=lambda pair: -kinds[pair[0]]):
            label[here] = kinds[key]
        place = np.flatnonzero(label >= 0)
        places.append(place + file.first_place[i])
        labels.append(label[place])
    return np.concatenate(places), np.concatenate(labels)


def _places_of(file: NmeaFile, wanted: Sequence[SentenceKind]) -> list[Ints]:
    """Places of all sentences of each kind, ascending."""
    found: dict[SentenceKind, list[Ints]] = {kind: [np.zeros(0, np.int64)] for kind in wanted}
    for part, first in zip(file.parts, file.first_place, strict=True):
        for key, here in kinds_of(part):
            if key in found:
                found[key].append(here + first)
    return [np.unique(np.concatenate(found[kind])) for kind in wanted]


def _note_disagreement(stamp: Anchors, told: Anchors, counts: dict[str, int]) -> None:
    """Counts stamps that follow another clock than the satellite times in the same sentences."""
    at = np.minimum(np.searchsorted(stamp.place, told.place), len(stamp.place) - 1)
    both = stamp.place[at] == told.place
    if both.any():
        apart = np.abs(stamp.time_us[at[both]] - told.time_us[both])
        if float(np.median(apart)) > STAMP_DISAGREES_US:
            counts[STAMP_DISAGREES] = int(both.sum())

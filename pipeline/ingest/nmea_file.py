"""The pieces of one NMEA 0183 log put together: where each begins, and what is decided for the whole file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.ingest.clock import Bools, Ints
from pipeline.ingest.piece import Part
from pipeline.ingest.spool import Spool

SentenceKind = tuple[str, str, str]
AnchorKey = tuple[int, bool, str]  # rank, whether they are dated, name


def kinds_of(part: Part) -> Iterator[tuple[SentenceKind, Ints]]:
    """The kinds of sentences that were read in a part, those that carry a time first, and their places in it."""
    for (_, _, source), (place, _) in part.anchors.items():
        yield ("", source, ""), place
    for key, rows in part.readings.items():
        yield key, rows.place


def among(place: Ints, wanted: Ints) -> Bools:
    """Which of the places are among the wanted ones (ascending)."""
    if not len(wanted):
        return np.zeros(len(place), bool)
    at = np.minimum(np.searchsorted(wanted, place), len(wanted) - 1)
    return wanted[at] == place


class NmeaFile:
    """The parts of a file; how many sentences and lines stand ahead of each, and how many sentences (`sizes`) in it."""

    def __init__(self, folder: Path | None) -> None:
        """No parts yet; in `folder` they may be kept on the disk."""
        self.parts: Spool[Part] = Spool(folder)
        self.first_place: list[int] = []
        self.first_line: list[int] = []
        self.sizes: list[int] = []
        self.places = self.lines = 0
        self.kinds: set[SentenceKind] = set()
        self.anchors: dict[AnchorKey, list[tuple[Ints, Ints]]] = defaultdict(list)
        self._summed = self._stamped = self._foreign = 0
        self._unsummed: list[Ints] = []

    def add(self, part: Part) -> None:
        """Put a part behind the others."""
        self.first_place.append(self.places)
        self.first_line.append(self.lines)
        self.sizes.append(part.places)
        for key, (place, time_us) in part.anchors.items():
            self.anchors[key].append((place + self.places, time_us))
        self.kinds.update(key for key, _ in kinds_of(part))
        self._summed += part.with_sum
        self._stamped += part.stamped
        self._foreign += len(part.foreign)
        self._unsummed.append(part.unsummed + self.places)
        self.places += part.places
        self.lines += part.lines
        self.parts.append(part, part.nbytes)

    @property
    def sums_expected(self) -> bool:
        """Whether a sentence without checksum is damaged: most have one."""
        return self._summed > self.places - self._summed

    @property
    def stamps_expected(self) -> bool:
        """Whether text in front of a sentence that is no stamp is damage: most such texts are stamps."""
        return self._stamped > self._foreign

    @property
    def ignored(self) -> Ints:
        """Places of the sentences without checksum, where the file otherwise has them."""
        if not self.sums_expected or not self._unsummed:
            return np.zeros(0, np.int64)
        return np.concatenate(self._unsummed)

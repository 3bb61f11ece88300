"""Wrong names that alone teach what a set is worth in conditions where it is hardly ever flown.

Each such stretch is excused by the others, so that no one of them gains by its right name. Here all of a set's chunks
in like unusual conditions are forgotten at once, each stretch of them gets the name that the rest of the season speaks
for, and then those are kept that gain together.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from pipeline.decisions.name_prior import log_place
from pipeline.decisions.name_search import MOST_LOST, NameSearch, Piece, Unit, possible_runs
from pipeline.decisions.season_under_labels import Told
from pipeline.surfaces.coordinates import Ints

# A set is hardly ever flown where it has at most this share of the time.
UNUSUAL = 1.0 / 3.0
# How like the conditions of chunks forgotten together are to those of the first, at least; more of them are left as
# they are.
LIKE, MOST_CHUNKS = 0.1, 60


class Clusters:
    """Groups of pieces of one logged name that gain together; each cluster is judged once."""

    def __init__(self, search: NameSearch, units: dict[int, Unit]) -> None:
        """`units` by number."""
        chunks, every = search.chunks, np.arange(search.chunks.count)
        none = np.zeros(0, dtype=np.int64)
        share = np.exp(search.names.log_share(every, none, none)[every, search.labels])
        self._search, self._units = search, units
        self._unusual = (share < UNUSUAL) & (search.labels == chunks.logged)
        self._judged: set[bytes] = set()

    def of(self, unit: Unit) -> Iterator[tuple[float, list[Piece]]]:
        """Groups that hold part of the stretch, with what each gains."""
        if unit.logged not in self._search.candidates:
            return
        for run in _runs(unit.at[self._unusual[unit.at]]):
            like = self._search.names.near[:, run].mean(axis=1) > LIKE
            at = np.flatnonzero(like & self._unusual & (self._search.chunks.logged == unit.logged))
            alone = len(np.unique(self._search.chunks.unit[at])) < 2
            if alone or len(at) > MOST_CHUNKS or at.tobytes() in self._judged:
                continue
            self._judged.add(at.tobytes())
            if group := self._pruned(self._named(at)):
                gain, speaks = self._search.together(group, self._units)
                if speaks and self._search.enough(gain, group):
                    yield gain, group

    def _named(self, at: Ints) -> list[Piece]:
        """The stretches among the chunks `at`, each as the season without any of them would have it."""
        search, chunks = self._search, self._search.chunks
        logged = int(chunks.logged[at[0]])
        now = search.season.told(at, search.labels[at])
        best: dict[int, tuple[float, Piece]] = {}
        for label in search.candidates:
            if label == logged:
                continue
            names = np.full(len(at), label)
            told = search.season.told(at, names)
            for run in _runs(np.flatnonzero(search.open[label, at]), chunks.unit, at):
                unit = self._units[int(chunks.unit[at[run[0]]])]
                place = log_place(possible_runs(chunks, unit.at), chunks.turns(unit.at))
                for i, j in itertools.combinations(range(len(run) + 1), 2):
                    part = run[i:j]
                    first, last = np.searchsorted(unit.at, at[part[[0, -1]]])
                    if not np.isfinite(place[first, last]) or not search.known(_part(told, part)):
                        continue
                    ratio = search.season.log_evidence(_part(told, part)) - search.season.log_evidence(_part(now, part))
                    prior = search.names.log_odds(at[part], at, names, logged, label, unit.neighbours)
                    piece = Piece(at[part], logged, label, ratio, prior + place[first, last], float(place[first, last]))
                    number = int(chunks.unit[at[part[0]]])
                    if piece.gain > max(-MOST_LOST, best[number][0] if number in best else -np.inf):
                        best[number] = piece.gain, piece
        return [piece for _, piece in best.values()]

    def _pruned(self, group: list[Piece]) -> list[Piece]:
        """The group without those that gain nothing with the others."""
        gain = self._gain(group)
        while len(group) > 1:
            fewer = [[*group[:k], *group[k + 1 :]] for k in range(len(group))]
            gains = [self._gain(g) for g in fewer]
            k = int(np.argmax(gains))
            if gains[k] <= gain:
                break
            gain, group = gains[k], fewer[k]
        return group

    def _gain(self, group: list[Piece]) -> float:
        return self._search.together(group, self._units)[0] if group else 0.0


def _part(told: Told, part: Ints) -> Told:
    return Told(told.at[part], told.surprise[part], told.cov[np.ix_(part, part)], told.stretch[part])


def _runs(values: Ints, unit: Ints | None = None, at: Ints | None = None) -> list[Ints]:
    """Runs of numbers that follow one another; with `unit` and `at`, indices of chunks that do so within one unit."""
    if not values.size:
        return []
    chunk = values if at is None else at[values]
    broken = np.diff(chunk) > 1
    if unit is not None:
        broken |= np.diff(unit[chunk]) != 0
    return np.split(values, np.flatnonzero(broken) + 1)

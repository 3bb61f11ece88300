"""The likeliest names of a season's chunks: changed one by one, and together where a wrong name recurs.

A wrong name that the crew wrote several times teaches the logged set's surface what then excuses each of its stretches
alone. So the search tries every part of a logged stretch under every other name, then the best of these together
with others of the same two names in like conditions, and takes the labelling that gains most; then again from there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pipeline.angles import Floats
from pipeline.decisions.audit_chunks import Chunks
from pipeline.decisions.name_prior import NamePrior, Suspicion, log_place
from pipeline.decisions.season_under_labels import SeasonUnderLabels, SurfacePrior, Told
from pipeline.surfaces.coordinates import Ints

# Weed, a torn sail, a sensor: log speed off by this, mostly slow.
ODD_SD, ODD_SLOW_CHANCE, ODD_FAST_CHANCE = 0.10, 1.0 / 50.0, 1.0 / 500.0
# Parts of a stretch so short are tried as well (what is wrong for two minutes must not condemn the rest).
LEAST_MINUTES = 0.25
# The other name must fit: no more than this share of the logged name's misfit, or this much log speed, may be left.
MOST_MISFIT_LEFT, FITS = 0.75, 0.01
# Names changed together must gain by the speeds alone (likelihoods so many to one).
LEAST_RATIO = float(np.log(3.0))
# A name is tried only where the rest of the season says this much of the set's speed (standard deviation of the log).
MOST_DOUBT = 0.05
# And only where it has been flown so long: further off a surface is the prior's, which knows no sail.
LEAST_FLOWN_MIN = 5.0
# Names changed together: how like the conditions must be, how much worse than the present names the first may look
# alone, and how many are tried with it.
LIKE, WORST_SEED, MOST_PARTNERS = 0.3, -12.0, 10
# Each may cost so much until others bear it out; the names tried for it beside the first's are so many of the usual.
MOST_LOST, USUAL = 4.0, 2
# What is renamed together is foretold from afar, and surfaces carried on are too low where a crew tries a set in a wind
# that is unusual for it. Such a trial is a matter of one day: log odds that each must gain to outweigh that. With 0
# four right names of one afternoon were called wrong, at odds of 11 to 26 each (sportboat 411).
LEAST_EACH = 1.5


@dataclass(frozen=True, slots=True)
class Piece:
    """Chunks `at` of one logged stretch under another name. Logs: `ratio` of the speeds' densities, `prior` odds of the
    name in this place, `place` of anything amiss in just this place.
    """

    at: Ints
    logged: int
    label: int
    ratio: float
    prior: float
    place: float

    @property
    def gain(self) -> float:
        """Log posterior odds against the present name."""
        return self.ratio + self.prior


@dataclass(frozen=True, slots=True)
class Unit:
    """One logged stretch: its chunks, its set, the sets logged just before and after."""

    at: Ints
    logged: int
    neighbours: frozenset[int]


class NameSearch:
    """The season under the names believed so far, and what other names would gain."""

    def __init__(self, surfaces: SurfacePrior, candidates: list[int], labels: Ints, suspicion: Suspicion) -> None:
        """`candidates`: set numbers that a name may be; `surfaces`, `labels` as of `SeasonUnderLabels`."""
        chunks = surfaces.chunks
        self.chunks, self.candidates, self.labels = chunks, candidates, labels
        self._least_each = suspicion.least_each
        self.season = SeasonUnderLabels(surfaces, labels)
        self.names = NamePrior(chunks, len(chunks.rows), labels, suspicion)
        # Where each set may be tried (sets, n).
        self.open = chunks.reached & (self.names.flown >= LEAST_FLOWN_MIN).T

    def evidence(self, at: Ints, labels: Ints) -> float:
        """Log density of the chunks `at` under `labels`."""
        return self.season.log_evidence(self.season.told(at, labels))

    def known(self, told: Told) -> bool:
        """Whether the rest of the season knows the set's speed in these chunks."""
        return float(told.cov.mean()) <= MOST_DOUBT**2

    def off(self, told: Told) -> float:
        """By how much the log speeds stand off what the rest foretells, on average."""
        return float(told.surprise.mean())

    def singles(self, units: list[Unit]) -> Iterator[Piece]:
        """For every stretch and other name the best part of it."""
        for unit in units:
            free = self.labels[unit.at] == unit.logged
            possible = possible_runs(self.chunks, unit.at)
            if not possible.any() or unit.logged not in self.candidates:
                continue
            place = log_place(possible, self.chunks.turns(unit.at))
            logged = self.season.told(unit.at, self.labels[unit.at])
            same = logged.stretch[:, None] == logged.stretch[None, :]
            inverse = np.linalg.inv(logged.cov + self.season.stretch_variance * same)
            for other in self.candidates:
                usable = free & self.open[other, unit.at]
                allowed = possible & _all_within(usable)
                if other == unit.logged or not allowed.any():
                    continue
                moved = np.where(usable, other, self.labels[unit.at])
                delta = logged.surprise - self.season.told(unit.at, moved).surprise
                score = np.where(allowed, _scan(delta, inverse @ logged.surprise, inverse) + place, -np.inf)
                tried = {np.unravel_index(int(np.argmax(score)), score.shape)}
                if allowed[0, -1]:
                    tried.add((0, len(unit.at) - 1))
                pieces = [self.piece(unit, int(i), int(j), other, float(place[i, j])) for i, j in tried]
                if pieces := [p for p in pieces if p is not None]:
                    yield max(pieces, key=lambda p: p.gain)

    def piece(self, unit: Unit, first: int, last: int, other: int, place: float) -> Piece | None:
        """Chunks first..last of a stretch under another name, all else as believed; None where that set's speed there
        is not known.
        """
        at = unit.at[first : last + 1]
        told = self.season.told(at, np.full(len(at), other))
        if not self.known(told):
            return None
        now = self.season.told(at, self.labels[at])
        if abs(self.off(told)) > max(MOST_MISFIT_LEFT * abs(self.off(now)), FITS):
            return None
        ratio = self.season.log_evidence(told) - self.season.log_evidence(now)
        prior = self.names.log_odds(at, at, np.full(len(at), other), unit.logged, other, unit.neighbours)
        return Piece(at, unit.logged, other, ratio, prior + place, place)

    def together(self, pieces: list[Piece], units: dict[int, Unit]) -> tuple[float, bool]:
        """Log posterior odds of several pieces of one logged name, all renamed, against none; whether the speeds speak
        for it.
        """
        at = np.concatenate([p.at for p in pieces])
        labels = np.concatenate([np.full(len(p.at), p.label) for p in pieces])
        order = np.argsort(at)
        at, labels = at[order], labels[order]
        gain = self.evidence(at, labels) - self.evidence(at, self.labels[at])
        speaks = gain >= LEAST_RATIO
        for p in pieces:
            neighbours = units[int(self.chunks.unit[p.at[0]])].neighbours
            gain += self.names.log_odds(p.at, at, labels, p.logged, p.label, neighbours) + p.place
        return gain, speaks

    def groups(self, singles: list[Piece], units: dict[int, Unit]) -> Iterator[tuple[float, list[Piece]]]:
        """Pieces that gain together, from every seed; also each alone. With the gain of each."""
        for seed in singles:
            if seed.gain > 0:
                yield seed.gain, [seed]
            if seed.gain < WORST_SEED:
                continue
            if len(group := self._grown(seed, units)) > 1:
                gain, speaks = self.together(group, units)
                if speaks and self.enough(gain, group):
                    yield gain, group

    def enough(self, gain: float, group: list[Piece]) -> bool:
        """Whether several pieces gain enough together to be renamed."""
        one_day = len(np.unique(self.chunks.day[np.concatenate([p.at for p in group])])) < 2
        least = max(self._least_each, LEAST_EACH if one_day else 0.0)
        return gain > least * len(group)

    def _grown(self, seed: Piece, units: dict[int, Unit]) -> list[Piece]:
        """The seed with others that gain with it, if only once several are renamed."""
        group, total = [seed], seed.gain
        best, most = group, total
        for p in self._like(seed, units):
            tried = [(self.together([*group, q], units)[0], q) for q in self._named(p)]
            gain, named = max(tried, key=lambda t: t[0])
            if gain < total - MOST_LOST:
                continue
            group, total = [*group, named], gain
            if total > most:
                best, most = group, total
        return best

    def _named(self, p: Piece) -> list[Piece]:
        """The piece under its own label and under the names that are usual there."""
        share = self.names.log_share(p.at, p.at, np.full(len(p.at), p.label)).mean(axis=0)
        usual = [k for k in np.argsort(-share)[:USUAL] if k in self.candidates and k not in (p.logged, p.label)]
        return [p, *(replace(p, label=int(k)) for k in usual if self.open[k, p.at].all())]

    def _like(self, seed: Piece, units: dict[int, Unit]) -> list[Piece]:
        """Other parts of stretches of the seed's logged set in conditions like its own, the likest first."""
        found = []
        chunks = self.chunks
        like = self.names.near[:, seed.at].mean(axis=1)
        free = (chunks.logged == seed.logged) & (self.labels == seed.logged) & self.open[seed.label]
        usable = (like > LIKE) & free
        usable[seed.at] = False
        for number in np.unique(chunks.unit[usable]):
            unit = units[int(number)]
            place = log_place(possible_runs(chunks, unit.at), chunks.turns(unit.at))
            cut = np.flatnonzero(np.diff(usable[unit.at].astype(int))) + 1
            for run in np.split(np.arange(len(unit.at)), cut):
                share = place[run[0], run[-1]]
                if usable[unit.at[run[0]]] and np.isfinite(share):
                    piece = Piece(unit.at[run], unit.logged, seed.label, 0.0, 0.0, float(share))
                    found.append((float(like[unit.at[run]] @ chunks.minutes[unit.at[run]]), piece))
        found.sort(key=lambda f: -f[0])
        return [p for _, p in found[:MOST_PARTNERS]]


def units_of(chunks: Chunks) -> list[Unit]:
    """The logged stretches, in order of time."""
    starts = np.unique(chunks.unit, return_index=True)[1]
    parts = np.split(np.arange(chunks.count), starts[1:])
    out = []
    for k, at in enumerate(parts):
        logged = int(chunks.logged[at[0]])
        beside = [parts[i][0] for i in (k - 1, k + 1) if 0 <= i < len(parts)]
        near = {int(chunks.logged[b]) for b in beside if chunks.day[b] == chunks.day[at[0]]} - {logged}
        out.append(Unit(at, logged, frozenset(near)))
    return out


def odd_instead(search: NameSearch, p: Piece) -> float:
    """Log odds of "something was odd" against the logged name."""
    told = search.season.told(p.at, np.full(len(p.at), p.logged))
    chance = ODD_FAST_CHANCE if search.off(told) > 0 else ODD_SLOW_CHANCE
    ratio = search.season.log_evidence(told, ODD_SD) - search.season.log_evidence(told)
    return ratio + float(np.log(chance)) + p.place


def possible_runs(chunks: Chunks, at: Ints) -> np.ndarray:
    """Whether chunks [i, j] of a stretch are long enough to be named, (m, m)."""
    begins, ends = chunks.begins[at], chunks.ends[at]
    return np.triu(ends[None, :] - begins[:, None] >= LEAST_MINUTES)


def _all_within(usable: np.ndarray) -> np.ndarray:
    lost = np.concatenate([[0], np.cumsum(~usable)])
    return lost[None, 1:] - lost[:-1, None] == 0


def _scan(delta: Floats, told: Floats, inverse: Floats) -> Floats:
    """Log likelihood ratio of every run of chunks [i, j] moved by `delta`, (m, m), with the covariance held."""
    m = len(delta)
    line = np.concatenate([[0.0], np.cumsum(delta * told)])
    square = np.zeros((m + 1, m + 1))
    square[1:, 1:] = np.cumsum(np.cumsum(delta[:, None] * inverse * delta[None, :], axis=0), axis=1)
    i, j = np.meshgrid(np.arange(m), np.arange(1, m + 1), indexing="ij")
    block = square[j, j] - square[i, j] - square[j, i] + square[i, i]
    return np.asarray(line[j] - line[i] - 0.5 * block)

"""Before the speeds are looked at: how likely it is that part of a logged stretch bears a wrong name, and which.

A name is mistaken for another that would do as well, or a change was not written down, late or early, so that the set
before or after stands in its place. What would do is told by what the boat flies in such conditions on other days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.decisions.audit_chunks import Chunks
from pipeline.surfaces.coordinates import Ints, angle_coordinate
from pipeline.surfaces.support import REACH_ANGLE_DEG, REACH_TWS_KN

# Of all wrong names: those that would do as well; those of the set before or after, by a change not written or early;
# any other.
MISTAKEN_SHARE, CARRIED_SHARE, ANY_SHARE = 0.4, 0.4, 0.2
# However usual a set is somewhere, something else might have been flown.
MOST_USUAL = 0.9
# A wrong name holds for a whole logged stretch, from its start or to its end (a change written late or not at all), or
# within.
WHOLE_SHARE, EDGE_SHARE = 0.5, 0.35
# It begins or ends so many times likelier where the course changes.
TURN_WEIGHT = 10.0
# Time sailed counts for conditions as far off as this share of a reach.
SPREAD = 0.5
# A set counts as tried for a share of the time it was flown so many times as far off: a crew may try anything once, but
# hardly a spinnaker close-hauled.
FURTHER = 4.0


@dataclass(frozen=True, slots=True)
class Suspicion:
    """How readily a log is doubted before the speeds are looked at; chosen on simulated seasons.

    `wrong_odds`: that a logged stretch bears a wrong name, in whole or in part. `tried_min`, `tried_share`: every set
    counts as if flown for so many minutes everywhere, and for this share of the time it was flown farther off.
    `least_ratio`: the speeds themselves must speak for the other name (likelihoods so many to one), not only what is
    usually flown there. `least_each`: log odds that each of several names must gain to be changed together; without it
    a keen search renames all of a set where it does little worse than another.
    """

    wrong_odds: float
    tried_min: float
    tried_share: float
    least_ratio: float
    least_each: float


# More than most logs deserve, since a wrong name spoils two surfaces.
SOBER = Suspicion(wrong_odds=0.2, tried_min=1.0, tried_share=0.05, least_ratio=3.0, least_each=0.0)
# For a person who looks at what is found: a false alarm costs a look.
KEEN = Suspicion(wrong_odds=0.6, tried_min=0.3, tried_share=0.015, least_ratio=1.5, least_each=1.1)


class NamePrior:
    """Prior odds of other names, given what the chunks are called."""

    def __init__(self, chunks: Chunks, sets: int, labels: Ints, suspicion: Suspicion) -> None:
        """`sets`: how many there are; `labels` (n): set numbers by which time is counted."""
        self._chunks, self._suspicion = chunks, suspicion
        self.near = nearness(chunks)
        other_day = chunks.day[:, None] != chunks.day[None, :]
        self._counts = self.near * other_day * chunks.minutes[None, :]
        under = labels[:, None] == np.arange(sets)[None, :]
        self._minutes = self._counts @ under
        # Minutes (n, sets) of each set in conditions like those of every chunk.
        self.flown = (self.near * chunks.minutes[None, :]) @ under
        far = self.near ** (1.0 / FURTHER**2) * other_day * chunks.minutes[None, :]
        self._tried = suspicion.tried_min + suspicion.tried_share * (far @ under)
        self._labels = labels

    def log_share(self, at: Ints, renamed: Ints, labels: Ints) -> Floats:
        """Log share (s, sets) of each set in the time sailed in conditions like those of the chunks `at` on other days,
        were the chunks `renamed` called `labels`.
        """
        minutes = self._minutes[at]
        moved = self._counts[np.ix_(at, renamed)]
        np.add.at(minutes.T, labels, moved.T)
        np.subtract.at(minutes.T, self._labels[renamed], moved.T)
        minutes = np.maximum(minutes, 0.0) + self._tried[at]
        return np.log(minutes) - np.log(minutes.sum(axis=1, keepdims=True))

    def log_odds(
        self, at: Ints, renamed: Ints, labels: Ints, logged: int, label: int, neighbours: frozenset[int]
    ) -> float:
        """Log odds that `label` was up in the chunks `at` of one stretch, logged as `logged`, without their place.

        With u the shares of the sets in what is usually flown there: a name mistaken for another that would do as well
        is as likely as u(label) / (1 - u(label)); any other, that of a set carried over or logged before its time
        among them, counts by u(label) / u(logged). `renamed`: all chunks called otherwise with them, by `labels`.
        """
        share = self.log_share(at, renamed, labels)
        usual = np.minimum(share[:, label], np.log(MOST_USUAL))
        odds = np.log(MISTAKEN_SHARE) + float(np.mean(usual - np.log1p(-np.exp(usual))))
        carried = float(np.mean(share[:, label] - share[:, logged]))
        odds = np.logaddexp(odds, np.log(ANY_SHARE / (share.shape[1] - 1)) + carried)
        if label in neighbours:
            odds = np.logaddexp(odds, np.log(CARRIED_SHARE / len(neighbours)) + carried)
        return float(np.log(self._suspicion.wrong_odds) + odds)


def nearness(chunks: Chunks) -> Floats:
    """How like the conditions of any two chunks are, 0 to 1, (n, n)."""
    angle = angle_coordinate(chunks.twa_deg)
    tws = chunks.tws_kn
    away = ((tws[:, None] - tws[None, :]) / (SPREAD * REACH_TWS_KN)) ** 2
    away += ((angle[:, None] - angle[None, :]) / (SPREAD * REACH_ANGLE_DEG)) ** 2
    return np.exp(-0.5 * away)


def log_place(possible: np.ndarray, turns: np.ndarray) -> Floats:
    """Log share of each run of chunks [i, j] of a stretch in whatever is amiss there, (m, m); -inf where it is none.

    `turns` (m - 1): whether the course changes between chunks.
    """
    m = len(possible)
    begins = np.concatenate([[1.0], np.where(turns, TURN_WEIGHT, 1.0)])
    ends = np.concatenate([begins[1:], [1.0]])
    weight = begins[:, None] * ends[None, :] * possible
    edge = weight.copy()
    edge[1:, : m - 1] = 0.0
    edge[0, m - 1] = 0.0
    inside = weight - edge
    inside[0, m - 1] = 0.0
    place = np.zeros((m, m))
    place[0, m - 1] = WHOLE_SHARE
    place += EDGE_SHARE * edge / max(float(edge.sum()), 1.0)
    place += (1.0 - WHOLE_SHARE - EDGE_SHARE) * inside / max(float(inside.sum()), 1.0)
    with np.errstate(divide="ignore"):
        return np.log(place)

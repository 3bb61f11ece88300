"""How much likelier another set's name makes the speeds of a stretch, given everything else that was sailed.

The windows of one logged stretch are foretold from the other days and from the rest of their own day, under the logged
name and under each other set's. A scan over all sub-stretches finds the best place for each other name with quadratic
forms from cumulative sums; the best is then judged with the full covariance, a heavy-tailed effect of the
stretch itself (Student's t as a scale mixture of normals, as in the fit) and against a third explanation: something
else was odd (weed, a torn sail, a sensor).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special, stats

from pipeline.angles import Floats
from pipeline.decisions.day_labels import StretchUnderLabels
from pipeline.surfaces.parameters import STRETCH_FREEDOM

# Before the speeds are looked at: one logged stretch in so many bears a wrong name, in whole or in part. More than most
# logs deserve, since a false alarm costs a look and a wrong name spoils two surfaces; chosen on simulated seasons.
MISLABEL_CHANCE = 1.0 / 5.0
# Weed, a torn sail, a sensor: log speed off by this, mostly slow.
ODD_SD, ODD_SLOW_CHANCE, ODD_FAST_CHANCE = 0.10, 1.0 / 50.0, 1.0 / 500.0
# Half of all wrong names are mistakes; the other half are of the set before or after, by a change not written or early.
MISTAKEN_SHARE = 0.5
# However usual a set is somewhere, something else might have been flown.
MOST_USUAL = 0.9
# It holds for a whole logged stretch, from its start or to its end (a change written late or not at all), or within.
WHOLE_SHARE, EDGE_SHARE = 0.5, 0.35
# Shorter sub-stretches are left to the change times.
LEAST_MINUTES = 5.0
LEAST_WINDOWS = 3
_MIXTURE = 12


@dataclass(frozen=True, slots=True)
class Evidence:
    """Another name for a part of one logged stretch: its windows [first, end), the set's number.

    `log_ratio`: of the likelihoods of the speeds, other name to logged; `log_prior` odds, and `log_place` of anything
    amiss in just this place; `chance` of the other name among all explanations; `off_logged`, `off_likelier`: mean of
    log speed less what each name foretells.
    """

    first: int
    end: int
    set_number: int
    log_ratio: float
    log_prior: float
    log_place: float
    chance: float
    off_logged: float
    off_likelier: float

    @property
    def log_odds(self) -> float:
        """Of the other name against the logged one."""
        return self.log_ratio + self.log_prior


def log_likelihoods(y: Floats, mean: Floats, cov: Floats, part: np.ndarray, sds: Floats) -> Floats:
    """Log density of `y` where the windows `part` share one more effect of each standard deviation in `sds`."""
    factor = linalg.cho_factor(cov, lower=True, check_finite=False)
    r, one = y - mean, part.astype(float)
    solved = linalg.cho_solve(factor, np.column_stack([r, one]), check_finite=False)
    plain = -0.5 * (r @ solved[:, 0]) - np.log(np.diagonal(factor[0])).sum() - 0.5 * len(y) * np.log(2 * np.pi)
    a, b = one @ solved[:, 1], one @ solved[:, 0]
    variance = sds**2
    return plain - 0.5 * np.log1p(variance * a) + 0.5 * variance * b**2 / (1.0 + variance * a)


def _tail_sds(stretch_sd: float) -> Floats:
    """Standard deviations beyond the normal part of a t-distributed effect, at equal shares of its mixture."""
    shares = (np.arange(_MIXTURE) + 0.5) / _MIXTURE
    precision = stats.gamma.ppf(shares, STRETCH_FREEDOM / 2.0, scale=2.0 / STRETCH_FREEDOM)
    return stretch_sd * np.sqrt(np.maximum(1.0 / precision - 1.0, 0.0))


def best_other_name(
    stretch: StretchUnderLabels,
    log_usage: Floats,
    neighbours: set[int],
    free: np.ndarray,
    candidates: list[int],
) -> Evidence | None:
    """The likeliest wrong name of a logged stretch, None where no other set could be judged.

    `log_usage` (k, m): log share of each set in the time sailed in such conditions; `neighbours`: sets logged before
    and after; `free` (m): windows not yet explained by an earlier finding; `candidates`: numbers of the boat's sets.
    """
    m = len(stretch.at)
    intervals = _intervals(stretch.day.begins[stretch.at], stretch.day.minutes[stretch.at])
    if not intervals.any():
        return None
    base_mean, base_cov = stretch.under(stretch.logged, np.zeros(m, dtype=bool))
    inverse = linalg.inv(base_cov)
    told = inverse @ (stretch.y - base_mean)
    place = _log_place(intervals)
    best: tuple[float, int, int, int, float, float] | None = None
    for other in candidates:
        usable = stretch.reaches(other) & free
        possible = intervals & _all_within(usable)
        if other == stretch.logged or not possible.any():
            continue
        delta = np.where(usable, stretch.under(other, usable)[0] - base_mean, 0.0)
        prior = place + _log_name(log_usage, stretch.logged, other, neighbours)
        score = np.where(possible, _scan(delta, told, inverse) + prior, -np.inf)
        first, last = np.unravel_index(int(np.argmax(score)), score.shape)
        total = float(special.logsumexp(score))
        if best is None or total > best[0]:
            spread = total - float(score[first, last])
            here = float(prior[first, last]) + spread, float(place[first, last]) + spread
            best = (total, other, int(first), int(last), *here)
    return None if best is None else judged(stretch, *best[1:])


def _intervals(begins: Floats, minutes: Floats) -> np.ndarray:
    """Whether windows [i, j], by the minutes at which they begin and last, make a stretch long enough, (m, m)."""
    i, j = np.meshgrid(np.arange(len(begins)), np.arange(len(begins)), indexing="ij")
    return (j - i + 1 >= LEAST_WINDOWS) & (begins[j] + minutes[j] - begins[i] >= LEAST_MINUTES)


def _interval_means(values: Floats) -> Floats:
    """Mean of `values` over every [i, j], (m, m); meaningless where j < i."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    count = np.arange(len(values))[None, :] - np.arange(len(values))[:, None] + 1
    return (total[None, 1:] - total[:-1, None]) / np.maximum(count, 1)


def _all_within(usable: np.ndarray) -> np.ndarray:
    lost = np.concatenate([[0], np.cumsum(~usable)])
    return lost[None, 1:] - lost[:-1, None] == 0


def _scan(delta: Floats, told: Floats, inverse: Floats) -> Floats:
    """Log likelihood ratio of every sub-stretch [i, j] moved by `delta`, (m, m), with the covariance held."""
    m = len(delta)
    line = np.concatenate([[0.0], np.cumsum(delta * told)])
    square = np.zeros((m + 1, m + 1))
    square[1:, 1:] = np.cumsum(np.cumsum(delta[:, None] * inverse * delta[None, :], axis=0), axis=1)
    i, j = np.meshgrid(np.arange(m), np.arange(1, m + 1), indexing="ij")
    block = square[j, j] - square[i, j] - square[j, i] + square[i, i]
    return np.asarray(line[j] - line[i] - 0.5 * block)


def _log_name(log_usage: Floats, logged: int, other: int, neighbours: set[int]) -> Floats:
    """Log prior odds, for every sub-stretch [i, j] (m, m), that `other` was up under the logged name.

    With u the shares of the sets in what is usually flown there: a name mistaken for another that would do as well is
    as likely as u(other) / (1 - u(other)); the name of a set carried over, or logged before its time, may be any, and
    counts by u(other) / u(logged).
    """
    share = np.minimum(np.exp(log_usage[other]), MOST_USUAL)
    odds = np.log(MISTAKEN_SHARE) + _interval_means(np.log(share) - np.log1p(-share))
    if other in neighbours:
        carried = _interval_means(log_usage[other] - log_usage[logged])
        odds = np.logaddexp(odds, np.log((1.0 - MISTAKEN_SHARE) / len(neighbours)) + carried)
    return np.log(MISLABEL_CHANCE) + odds


def _log_place(intervals: np.ndarray) -> Floats:
    """Log share of each sub-stretch [i, j] in whatever is amiss, (m, m); -inf where it is too short."""
    m = len(intervals)
    edge = intervals.copy()
    edge[1:, : m - 1] = False
    edge[0, m - 1] = False
    inside = intervals & ~edge
    inside[0, m - 1] = False
    place = np.zeros((m, m))
    place[0, m - 1] = WHOLE_SHARE
    place += EDGE_SHARE * edge / max(int(edge.sum()), 1)
    place += (1.0 - WHOLE_SHARE - EDGE_SHARE) * inside / max(int(inside.sum()), 1)
    with np.errstate(divide="ignore"):
        return np.log(place)


def judged_again(stretch: StretchUnderLabels, e: Evidence, log_usage: Floats, neighbours: set[int]) -> Evidence:
    """The same name in the same place, as the stretch's model and the usage now have it."""
    name = float(_log_name(log_usage, stretch.logged, e.set_number, neighbours)[e.first, e.end - 1])
    return judged(stretch, e.set_number, e.first, e.end - 1, e.log_place + name, e.log_place)


def judged(
    stretch: StretchUnderLabels, other: int, first: int, last: int, log_prior: float, log_place: float
) -> Evidence:
    """The windows first..last of the stretch under `other` against the logged name and against something odd.

    `log_prior`: log odds of the name in this place, and in places near by that the speeds cannot tell from it;
    `log_place`: the share of these places in whatever may be amiss.
    """
    part = np.zeros(len(stretch.at), dtype=bool)
    part[first : last + 1] = True
    y = stretch.y
    as_logged, as_other = stretch.under(stretch.logged, part), stretch.under(other, part)
    tails = _tail_sds(stretch.day.stretch_sd)
    log_logged, log_other = (
        float(special.logsumexp(log_likelihoods(y, *under, part, tails)) - np.log(_MIXTURE))
        for under in (as_logged, as_other)
    )
    off_logged, off_other = (float(np.mean((y - mean)[part])) for mean, _ in (as_logged, as_other))
    odd_chance = ODD_FAST_CHANCE if off_logged > 0 else ODD_SLOW_CHANCE
    odd = float(log_likelihoods(y, *as_logged, part, np.array([ODD_SD]))[0]) + np.log(odd_chance) + log_place
    chance = float(special.expit(log_other + log_prior - special.logsumexp([log_logged, odd])))
    return Evidence(first, last + 1, other, log_other - log_logged, log_prior, log_place, chance, off_logged, off_other)

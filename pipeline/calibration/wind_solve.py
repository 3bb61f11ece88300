"""The corrections given the evidence: boat and sets shrunk to each other, days that differ, all uncertainty carried.

How far sail sets depart from the boat, and days from the season, is not known beforehand: these spreads are averaged
over, weighted by marginal likelihood and a prior, so that intervals carry that doubt too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.special import expit, logsumexp

from pipeline.angles import Floats
from pipeline.calibration.wind_fit import BESIDE, BOAT, BY_SET, CHAIN, DayEvidence
from pipeline.calibration.wind_symmetry import DaySymmetry

# What a boat's own corrections may be, before any data: standard deviations about the calibration in use.
LOOSE_SD = {"awa_offset_deg": 5.0, "upwash_deg": 5.0, "aws_factor": 0.1}
# What else may be wrong and look alike; common practice, no source.
BESIDE_SD = dict(zip(BESIDE, (0.004, 0.5, 0.5, 0.3, 0.3), strict=True))
# Where nothing is known of the ground's side: speed log, compass and leeway as yachts have them. Common practice.
GROUND = ("boat_speed_factor", "heading_offset_deg", "leeway_coefficient")
WEAK_GROUND_SD = (0.03, 3.0, 2.0)
# On about one boat in ten the sets are alike: without that chance a boat that needs no correction got one for some set
# or other. Prior weight against all other spreads together; at 1 to 2 the others were shrunk too much (clean seasons,
# and those with upwash by set).
ALIKE_SD_DEG, ALIKE_LOG_ODDS = 0.05, -2.2
# Below this chance that the sets depart from the boat as in use, some set's upwash is all but certainly wrong, and each
# set's interval stands for itself; above it the intervals hold for all sets together. Of 64 clean seasons one came so
# low, of 36 with upwash by set 26 did.
SETS_DIFFER_BELOW = 0.015
# Spreads tried. Sets do differ in upwash, by about this much (log-normal prior: middle and its logarithm's sd); for the
# rest the scale of a half-normal prior, for there it may well be nothing. Common practice, no source.
SET_UPWASH_SD_DEG, SET_UPWASH_USUAL_DEG, SET_UPWASH_LOG_SD = (ALIKE_SD_DEG, 0.2, 0.35, 0.6, 1.0, 1.7), 1.0, 0.6
SET_AWS_SD, SET_AWS_SCALE = (0.002, 0.006, 0.015), 0.006
DAY_OFFSET_SD_DEG, DAY_OFFSET_SCALE_DEG = (0.05, 0.3, 0.9, 2.0), 0.4
DAY_TWIST_SD_DEG, DAY_TWIST_SCALE_DEG = (0.15, 0.35, 0.7, 1.3), 0.6
# A boat may be uneven all season long (rig, blades, log), on beats and on runs each in its own way, by this much of the
# true wind's angle: symmetry alone never fixes an offset better. The helm's habits play little part, as boards are
# compared at equal wind and boat speed. Common practice, no source; the known boats are even and cannot judge it.
SEASON_UNEVEN_SD_DEG = 0.25
# Unknowns of unevenness: beats, runs.
UNEVEN = 2


class GroundPrior(NamedTuple):
    """Mean (3) and covariance (3, 3) of boat-speed factor, heading offset (deg) and leeway coefficient, as they should
    stand in `boat.toml`; NaN where the ground cannot say.
    """

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class Solution:
    """Mean and covariance of the changes (`BOAT`, then the sets' departures), and the spreads of days, twist, sets.

    `set_sd`: of the sets' departures before their own data (root mean square over the spreads); `sets_as_in_use`:
    chance that no set's upwash departs from the boat's otherwise than it does in use.
    """

    mean: Floats
    covariance: Floats
    day_offset_sd_deg: float
    twist_sd_deg: float
    set_sd: tuple[float, ...]
    sets_as_in_use: float


@dataclass(frozen=True, slots=True)
class _Spreads:
    set_upwash: float
    set_aws: float
    day_offset: float
    twist: float

    def log_prior(self) -> float:
        scaled = (
            self.set_aws / SET_AWS_SCALE,
            self.day_offset / DAY_OFFSET_SCALE_DEG,
            self.twist / DAY_TWIST_SCALE_DEG,
        )
        return _log_prior_of_upwash(self.set_upwash) - 0.5 * float(np.sum(np.square(scaled)))


def _log_prior_of_upwash(spread: float) -> float:
    """Log-normal over the grid, and apart from it the chance that the sets are alike."""
    usual = -0.5 * np.square(np.log(np.array(SET_UPWASH_SD_DEG[1:]) / SET_UPWASH_USUAL_DEG) / SET_UPWASH_LOG_SD)
    if spread == ALIKE_SD_DEG:
        return ALIKE_LOG_ODDS + float(np.log(np.exp(usual).sum()))
    return float(usual[SET_UPWASH_SD_DEG.index(spread) - 1])


def solve(
    found: DayEvidence,
    symmetry: DaySymmetry | None,
    set_in_use: Floats,
    chain_in_use: Floats,
    ground: GroundPrior | None,
) -> Solution:
    """Posterior of the changes.

    `set_in_use`: departures of the sets from the boat in the calibration in use, in the order of the parameters;
    `chain_in_use`: the boat's values by `CHAIN`. Without `ground` a weak prior about the calibration in use stands in.
    """
    solver = _Solver(found, symmetry, set_in_use, chain_in_use, ground)
    tried = [
        _Spreads(*values) for values in product(SET_UPWASH_SD_DEG, SET_AWS_SD, DAY_OFFSET_SD_DEG, DAY_TWIST_SD_DEG)
    ]
    answers = [solver.at(s) for s in tried]
    log_weight = np.array([a[0] + s.log_prior() for a, s in zip(answers, tried, strict=True)])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = _weighted(weight, [a[1] for a in answers])
    inside = _weighted(weight, [a[2] for a in answers])
    apart = _weighted(weight, [np.outer(a[1] - mean, a[1] - mean) for a in answers])
    sets = len(set_in_use) // len(BY_SET)
    own = [float(np.sqrt(weight @ np.square([getattr(s, n) for s in tried]))) for n in ("set_upwash", "set_aws")]
    alike = np.array([s.set_upwash == ALIKE_SD_DEG for s in tried])
    as_in_use = log_weight[alike]
    if np.any(set_in_use):
        kept = _Solver(found, symmetry, np.zeros_like(set_in_use), chain_in_use, ground)
        as_in_use = np.array([kept.at(s)[0] + s.log_prior() for s, a in zip(tried, alike, strict=True) if a])
    return Solution(
        mean,
        inside + apart,
        float(weight @ [s.day_offset for s in tried]),
        float(weight @ [s.twist for s in tried]),
        tuple(sd for sd in own for _ in range(sets)),
        float(expit(logsumexp(as_in_use) - logsumexp(log_weight[~alike]))),
    )


def _completed(ground: GroundPrior, in_use: Floats) -> tuple[Floats, Floats]:
    """The prior with weak knowledge about the calibration in use for what is missing (NaN) in it."""
    mean, covariance = np.array(ground[0], dtype=float), np.array(ground[1], dtype=float)
    missing = ~(np.isfinite(mean) & np.isfinite(np.diag(covariance)))
    mean[missing] = in_use[missing]
    covariance[missing, :] = covariance[:, missing] = 0.0
    covariance[missing, missing] = np.square(WEAK_GROUND_SD)[missing]
    return mean, covariance + 1e-12 * np.eye(len(mean))


def _weighted(weight: Floats, values: Sequence[Floats]) -> Floats:
    return np.tensordot(weight, np.stack(values), axes=1)


class _Solver:
    """The linear problem: changes, the season's unevenness on beats and on runs, a departure of the offset each day."""

    def __init__(
        self,
        found: DayEvidence,
        symmetry: DaySymmetry | None,
        set_in_use: Floats,
        chain_in_use: Floats,
        ground: GroundPrior | None,
    ) -> None:
        self.days, self.p = found.weighed.shape
        n = self.p + UNEVEN + self.days
        self.precision, self.weighed = np.zeros((n, n)), np.zeros(n)
        self.precision[: self.p, : self.p] = found.precision.sum(axis=0)
        self.weighed[: self.p] = found.weighed.sum(axis=0)
        offset = CHAIN.index("awa_offset_deg")
        for d in range(self.days):
            at = self.p + UNEVEN + d
            self.precision[at, : self.p] = self.precision[: self.p, at] = found.precision[d, offset]
            self.precision[at, at] = found.precision[d, offset, offset]
            self.weighed[at] = found.weighed[d, offset]
        self.symmetry = symmetry
        self.set_in_use = set_in_use
        self.prior_precision, self.prior_mean = np.zeros((n, n)), np.zeros(n)
        for name, sd in (LOOSE_SD | BESIDE_SD).items():
            self.prior_precision[BOAT.index(name), BOAT.index(name)] = sd**-2
        at = [CHAIN.index(name) for name in GROUND]
        if ground is None:
            self.prior_precision[at, at] = np.square(1.0 / np.array(WEAK_GROUND_SD))
        else:
            mean, covariance = _completed(ground, chain_in_use[at])
            self.prior_precision[np.ix_(at, at)] = np.linalg.inv(covariance)
            self.prior_mean[at] = mean - chain_in_use[at]
        uneven = np.arange(self.p, self.p + UNEVEN)
        self.prior_precision[uneven, uneven] = SEASON_UNEVEN_SD_DEG**-2
        self.prior_mean[len(BOAT) : self.p] = -set_in_use

    def at(self, spreads: _Spreads) -> tuple[float, Floats, Floats]:
        """Log marginal likelihood, mean and covariance of the changes for given spreads."""
        prior = self.prior_precision.copy()
        sets = len(self.set_in_use) // len(BY_SET)
        own = np.repeat([spreads.set_upwash, spreads.set_aws], sets)
        at = np.arange(len(BOAT), self.p)
        prior[at, at] = own**-2.0
        at = np.arange(self.p + UNEVEN, self.p + UNEVEN + self.days)
        prior[at, at] = spreads.day_offset**-2.0
        a = self.precision + prior
        b = self.weighed + prior @ self.prior_mean
        evidence = self._add_symmetry(a, b, spreads.twist)
        factor = np.linalg.cholesky(a)
        mean = np.linalg.solve(a, b)
        evidence += 0.5 * float(b @ mean) - float(np.log(np.diag(factor)).sum())
        evidence -= 0.5 * float(self.prior_mean @ prior @ self.prior_mean)
        evidence -= float(np.log(own).sum()) + self.days * np.log(spreads.day_offset)
        inverse = np.linalg.inv(a)
        return evidence, mean[: self.p], inverse[: self.p, : self.p]

    def _add_symmetry(self, a: Floats, b: Floats, twist: float) -> float:
        """Adds what the symmetry of each day says; its twist turns beats and runs together, each by its own answer."""
        if self.symmetry is None:
            return 0.0
        evidence = 0.0
        for day in np.unique(self.symmetry.day):
            rows = np.flatnonzero(self.symmetry.day == day)
            turn, z = self.symmetry.turn[rows], self.symmetry.offset_deg[rows]
            variance = np.diag(self.symmetry.sd_deg[rows] ** 2) + twist**2 * np.outer(turn, turn)
            at = [CHAIN.index("awa_offset_deg"), *range(self.p, self.p + UNEVEN), self.p + UNEVEN + int(day)]
            run = self.symmetry.run[rows]
            design = np.column_stack((np.ones(len(rows)), turn * ~run, turn * run, np.ones(len(rows))))
            weighed = np.linalg.solve(variance, np.column_stack((design, z)))
            a[np.ix_(at, at)] += design.T @ weighed[:, :-1]
            b[at] += design.T @ weighed[:, -1]
            evidence -= 0.5 * (float(np.linalg.slogdet(variance)[1]) + float(z @ weighed[:, -1]))
        return evidence

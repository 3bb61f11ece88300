"""The fit itself: parameters by generalised least squares, spread by marginal likelihood, weights against outliers.

1. Linearise about the parameters so far (Gauss-Newton).
2. The spread (how the current wanders, how noisy bits and legs are) by the mode of its marginal posterior, the
   parameters and the current integrated out, with wide log-normal priors about what is physically usual.
3. Weights of a t-distribution for every bit, so that weed on the log or a lost satellite does not count.
Repeated a few times; everything is deterministic.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
from scipy.optimize import minimize

from pipeline.angles import Floats
from pipeline.calibration.ground_current import Bearings, Solved, Spread, expected, solve
from pipeline.calibration.ground_model import (
    DAY_SD,
    FACTOR,
    FLOOR_SD,
    HEEL,
    LEEWAY,
    OFFSET,
    PRIOR_SD,
    SLOPE,
    START,
    Course,
    residuals,
)
from pipeline.calibration.legs import BIT_S, Bits

# Medians and log standard deviations of the spread's priors.
_USUAL = Spread()
_USUAL_LOG_SD = np.array([0.7, 0.8, 0.6, 0.8, 0.8, 0.8, 0.8])
# Degrees of freedom of the errors' t-distribution: common choice for measurements with the odd gross error.
T_FREEDOM = 4.0
SPREAD_WITH = [FACTOR, OFFSET, LEEWAY]
# Bits of so little weight tell nothing of the usual spread.
OUTLIER_WEIGHT, LEAST_WEIGHT = 0.25, 1e-4
LEAST_BLOCKS_FOR_SCATTER = 5
# The spread of a long season is found from so many bits at most.
MOST_BITS_FOR_SPREAD = 2500
_ROUNDS, _WEIGHT_STEPS = 3, 4


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters in the order of `ground_model`, their covariance, and what they rest on.

    `solved` and `at` are of the last linearisation, about `about`; `normal` and `right` per block give deviations from
    it. `weight` (bits) is 1 for an ordinary bit and falls towards 0 for an outlier.
    """

    value: Floats
    covariance: Floats
    about: Floats
    spread: Spread
    solved: Solved
    at: Bearings
    weight: Floats


def fit(course: Course, bits: Bits, start_leeway: float) -> Fit:
    """Parameters of a season; `start_leeway` is the coefficient in use, about which the wide prior is centred."""
    centre = START.copy()
    centre[LEEWAY] = start_leeway if course.source == HEEL else 0.0
    value, weight, spread = centre.copy(), np.ones(len(bits)), _USUAL
    subset = _some_blocks(bits)
    for turn in range(_ROUNDS):
        y, x, at = residuals(course, value, bits)
        # outliers are found with the usual spread before the spread is: they would pass for a wide one
        if turn > 0:
            sound = np.where(weight < OUTLIER_WEIGHT, LEAST_WEIGHT, weight)[subset]
            spread = find_spread(y[subset], x[subset], _at(at, subset), bits.length_s[subset], sound, spread)
        for _ in range(_WEIGHT_STEPS):
            variance = variances(bits.length_s, spread, weight)
            solved = solve(y, x, variance, at, spread)
            step, covariance = combine(solved, value, centre)
            rest = y - x @ step - expected(solved.states @ np.concatenate(([1.0], -step)), at.course_rad)
            weight = _weights(rest, variance * weight[:, None])
        about, value = value, value + step
    grow = by_block(solved, value - about, covariance)
    covariance = covariance * np.outer(grow, grow) + np.diag(FLOOR_SD**2)
    blocks = len(solved.right)
    if blocks < LEAST_BLOCKS_FOR_SCATTER:
        covariance = covariance + np.diag(DAY_SD**2 / blocks)
    covariance[SLOPE, SLOPE] += flattening(course, bits, spread) ** 2
    return Fit(value, covariance, about, spread, solved, at, weight)


def combine(solved: Solved, about: Floats, centre: Floats) -> tuple[Floats, Floats]:
    """Step from `about` to the estimate, and the covariance, all blocks and the prior about `centre` together."""
    prior = np.diag(PRIOR_SD**-2)
    covariance = np.linalg.inv(solved.normal.sum(axis=0) + prior)
    return covariance @ (solved.right.sum(axis=0) + prior @ (centre - about)), covariance


def by_block(solved: Solved, step: Floats, covariance: Floats) -> Floats:
    """By what each parameter's standard deviation must grow so that it covers the scatter between blocks, at least 1.

    Errors that a block shares (a day's trim, a sea, a sensor's mood) are not in the model; the blocks' own pull on the
    estimate shows them. Source: Liang and Zeger, Biometrika 73, 1986 (covariance from clusters), with the usual
    G / (G - 1) for few clusters.
    """
    blocks = len(solved.right)
    if blocks < LEAST_BLOCKS_FOR_SCATTER:
        return np.ones(len(step))
    pull = solved.right - solved.normal @ step
    pull = pull - pull.mean(axis=0)
    scatter = covariance @ (pull.T @ pull) @ covariance * blocks / (blocks - 1)
    return np.sqrt(np.maximum(np.diag(scatter) / np.diag(covariance), 1.0))


def flattening(course: Course, bits: Bits, spread: Spread) -> float:
    """By how much errors of the log itself may flatten the slope (a fraction a knot): error in the regressor.

    The slope is told from the change of speed within a block; an error of variance v in it lets the estimate fall by
    v / (reference speed x variance of speed). The errors' share that is the log's own is not known, so this is doubt
    and not a correction. Source: Fuller, Measurement Error Models, 1987, section 1.1.
    """
    number = np.bincount(course.bit, minlength=len(bits))
    speed = np.bincount(course.bit, course.bsp_kn, len(bits)) / number
    _, block = np.unique(bits.block, return_inverse=True)
    mean = np.bincount(block, speed) / np.bincount(block)
    varied = float(np.mean((speed - mean[block]) ** 2))
    own = spread.along_kn**2 + spread.leg_along_kn**2
    return own / max(course.reference_kn * varied, 1e-6)


def variances(length_s: Floats, spread: Spread, weight: Floats) -> Floats:
    """Variance of the independent error of each bit, along and across."""
    scale = BIT_S / np.maximum(length_s, 1.0) / weight
    return scale[:, None] * np.array([spread.along_kn**2, spread.across_kn**2])


def find_spread(y: Floats, x: Floats, at: Bearings, length_s: Floats, weight: Floats, start: Spread) -> Spread:
    """Mode of the spread's posterior, parameters and current integrated out."""
    usual = np.log(np.array(astuple(_USUAL)))
    # what the other parameters could explain is too little to change the spread
    x, prior = x[:, :, SPREAD_WITH], np.diag(PRIOR_SD[SPREAD_WITH] ** -2.0)

    def loss(log_spread: Floats) -> float:
        spread = Spread(*(float(v) for v in np.exp(log_spread)))
        solved = solve(y, x, variances(length_s, spread, weight), at, spread)
        normal, right = solved.normal.sum(axis=0) + prior, solved.right.sum(axis=0)
        fitted = float(right @ np.linalg.solve(normal, right))
        likelihood = solved.log_det + float(np.linalg.slogdet(normal)[1]) + float(solved.square.sum()) - fitted
        return 0.5 * likelihood + 0.5 * float((((log_spread - usual) / _USUAL_LOG_SD) ** 2).sum())

    first = np.log(np.array(astuple(start)))
    bounds = [(u - 4.0 * s, u + 4.0 * s) for u, s in zip(usual, _USUAL_LOG_SD, strict=True)]
    found = minimize(loss, first, method="L-BFGS-B", bounds=bounds, options={"maxiter": 12, "ftol": 1e-5, "eps": 1e-3})
    return Spread(*(float(v) for v in np.exp(found.x)))


def _weights(rest: Floats, variance: Floats) -> Floats:
    """Weight of each bit from its two residuals together (bivariate t-distribution)."""
    square = (rest**2 / variance).sum(axis=1)
    return np.clip((T_FREEDOM + 2.0) / (T_FREEDOM + square), LEAST_WEIGHT, 1.0)


def _some_blocks(bits: Bits) -> np.ndarray:
    """Bits of blocks evenly spaced over the season, all of them where they are few."""
    every = max(1, int(np.ceil(len(bits) / MOST_BITS_FOR_SPREAD)))
    _, order = np.unique(bits.block, return_inverse=True)
    return np.flatnonzero(order % every == 0)


def _at(at: Bearings, which: np.ndarray) -> Bearings:
    return Bearings(at.hours[which], at.block[which], at.leg[which], at.course_rad[which])

"""Generalised least squares with the current and slow errors as Gaussian processes, exact and at linear cost.

For each bit two numbers are observed, the residual velocity along and across the boat's course:

    y = X b + H x + e

`b` are the calibration's parameters. `x` holds, a bit: the current's level and slope (north and east; the level starts
unknown in each block and its slope wanders, as a tide's does), an Ornstein-Uhlenbeck part of the current (eddies, a
change of place), and an error of the leg in the boat's own frame (waves, trim, helm: along and across), which starts
afresh with each leg. `e` is independent. The prior of x has a block-tridiagonal precision, so the posterior precision
is banded: one banded Cholesky factorisation gives likelihood, estimates and current.

Source: Rue and Held, Gaussian Markov Random Fields, 2005, chapter 2 (banded Cholesky); Rasmussen and Williams, Gaussian
Processes for Machine Learning, 2006, section 2.7 (explicit basis functions) and appendix B (Markov processes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from pipeline.angles import Floats
from pipeline.sailing.stretches import Ints

# States of a bit: level, slope and wandering part of the current north, the same east, error of the leg along, across.
_LEVEL, _SLOPE, _PART, _LEG = (0, 3), (1, 4), (2, 5), (6, 7)
STATES = 8
# Wide priors where a block begins: no current is ruled out, and a tide turns within hours.
START_LEVEL_KN, START_SLOPE_KN_H = 5.0, 0.7
# The leg's error itself wanders a little within a long leg.
LEG_HOURS = 0.25
_SHORTEST_H = 1.0 / 3600.0


@dataclass(frozen=True, slots=True)
class Spread:
    """How much everything but the parameters varies.

    `tide_kn_h15`: wander of the current's slope, kn/h a square root of an hour; `part_kn`, `part_hours`: standard
    deviation and time scale of the current's wandering part; `along_kn`, `across_kn`: independent error of a bit of
    45 s; `leg_along_kn`, `leg_across_kn`: error of a leg.
    """

    tide_kn_h15: float = 0.2
    part_kn: float = 0.1
    part_hours: float = 1.0
    along_kn: float = 0.05
    across_kn: float = 0.05
    leg_along_kn: float = 0.03
    leg_across_kn: float = 0.03


@dataclass(frozen=True, slots=True)
class Bearings:
    """Where the bits are: `hours` of mid-bit, `block`, `leg` (numbers), and `course_rad` the mean course of each."""

    hours: Floats
    block: Ints
    leg: Ints
    course_rad: Floats


@dataclass(frozen=True, slots=True)
class Solved:
    """`normal` (blocks, p, p) and `right` (blocks, p): information on the parameters; `square` (blocks): y with itself.

    All are given the spread, the current integrated out. `log_det`: of the observations' covariance. `states` (bits,
    8, p + 1): mean of the states for y, then for each column of X, so that states @ (1, -b) are those given b.
    """

    normal: Floats
    right: Floats
    square: Floats
    log_det: float
    states: Floats


def solve(y: Floats, x: Floats, variance: Floats, at: Bearings, spread: Spread) -> Solved:
    """Integrate the current out of the observations.

    `y` (bits, 2) along and across, `x` (bits, 2, p), `variance` (bits, 2) of the independent errors, kn^2.
    """
    n, p = len(y), x.shape[2]
    h = _observed(at.course_rad)
    diagonal, below, log_det_prior = _prior(at, spread)
    weighted = h / variance[:, :, None]
    diagonal = diagonal + np.einsum("nij,nik->njk", weighted, h)
    z = np.concatenate((y[:, :, None], x), axis=2)
    b = np.einsum("nij,nik->njk", weighted, z)
    factor = cholesky_banded(_band(diagonal, below), lower=True, check_finite=False)
    states = cho_solve_banded((factor, True), b.reshape(n * STATES, p + 1), check_finite=False).reshape(
        n, STATES, p + 1
    )
    here = np.matmul(z.transpose(0, 2, 1), z / variance[:, :, None]) - np.matmul(b.transpose(0, 2, 1), states)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(at.block) != 0)))
    total = np.add.reduceat(here, starts, axis=0)
    log_det = 2.0 * float(np.log(factor[0]).sum()) - log_det_prior + float(np.log(variance).sum())
    return Solved(total[:, 1:, 1:], total[:, 1:, 0], total[:, 0, 0], log_det, states)


def current_of(states: Floats) -> tuple[Floats, Floats]:
    """North and east of the current from states (bits, 8)."""
    return states[:, _LEVEL[0]] + states[:, _PART[0]], states[:, _LEVEL[1]] + states[:, _PART[1]]


def expected(states: Floats, course_rad: Floats) -> Floats:
    """What states (bits, 8) say of the observations: along and across."""
    return np.einsum("nij,nj->ni", _observed(course_rad), states)


def _observed(course_rad: Floats) -> Floats:
    c, s = np.cos(course_rad), np.sin(course_rad)
    h = np.zeros((len(course_rad), 2, STATES))
    for which in (_LEVEL, _PART):
        h[:, 0, which[0]], h[:, 0, which[1]] = c, s
        h[:, 1, which[0]], h[:, 1, which[1]] = -s, c
    h[:, 0, _LEG[0]] = h[:, 1, _LEG[1]] = 1.0
    return h


def _prior(at: Bearings, spread: Spread) -> tuple[Floats, Floats, float]:
    """Blocks on and below the diagonal of the states' prior precision, and its log determinant."""
    n = len(at.hours)
    diagonal, below = np.zeros((n, STATES, STATES)), np.zeros((n, STATES, STATES))
    start = np.concatenate(([True], np.diff(at.block) != 0))
    step_h = np.maximum(np.diff(at.hours, prepend=at.hours[0]), _SHORTEST_H)
    new_leg = start | np.concatenate(([True], np.diff(at.leg) != 0))
    log_det = 0.0
    for level, slope in zip(_LEVEL, _SLOPE, strict=True):
        log_det += _tide(diagonal, below, level, slope, start, step_h, spread.tide_kn_h15)
    for state in _PART:
        log_det += _wandering(diagonal, below, state, start, step_h, spread.part_kn, spread.part_hours)
    for state, sd in zip(_LEG, (spread.leg_along_kn, spread.leg_across_kn), strict=True):
        log_det += _wandering(diagonal, below, state, new_leg, step_h, sd, LEG_HOURS)
    return diagonal, below, log_det


def _wandering(
    diagonal: Floats, below: Floats, k: int, start: np.ndarray, step_h: Floats, sd: float, hours: float
) -> float:
    """An Ornstein-Uhlenbeck process in state `k`, begun afresh at `start`."""
    keep = np.where(start, 0.0, np.exp(-step_h / hours))
    precision = 1.0 / (sd * sd * (1.0 - keep * keep))
    diagonal[:, k, k] += precision
    diagonal[:-1, k, k] += (keep * keep * precision)[1:]
    below[:-1, k, k] = -(keep * precision)[1:]
    return float(np.log(precision).sum())


def _tide(
    diagonal: Floats, below: Floats, level: int, slope: int, start: np.ndarray, step_h: Floats, wander: float
) -> float:
    """A level whose slope does a random walk (integrated Wiener process), wide open at `start`."""
    q, dt = wander * wander, step_h
    a, b, c = 12.0 / (q * dt**3), -6.0 / (q * dt**2), 4.0 / (q * dt)  # inverse of the step's covariance
    a, b = np.where(start, START_LEVEL_KN**-2, a), np.where(start, 0.0, b)
    c = np.where(start, START_SLOPE_KN_H**-2, c)
    diagonal[:, level, level] += a
    diagonal[:, level, slope] += b
    diagonal[:, slope, level] += b
    diagonal[:, slope, slope] += c
    on = ~start[1:]
    a1, b1, c1, d1 = a[1:][on], b[1:][on], c[1:][on], dt[1:][on]
    before = np.flatnonzero(on)
    # F' Q^-1 F and -Q^-1 F with F = [[1, dt], [0, 1]]
    diagonal[before, level, level] += a1
    diagonal[before, level, slope] += a1 * d1 + b1
    diagonal[before, slope, level] += a1 * d1 + b1
    diagonal[before, slope, slope] += a1 * d1 * d1 + 2.0 * b1 * d1 + c1
    below[before, level, level] = -a1
    below[before, level, slope] = -(a1 * d1 + b1)
    below[before, slope, level] = -b1
    below[before, slope, slope] = -(b1 * d1 + c1)
    return float(np.log(a * c - b * b).sum())


def _band(diagonal: Floats, below: Floats) -> Floats:
    """Lower banded storage of the block-tridiagonal matrix; `below[i]` couples bit i + 1 (rows) to bit i (columns)."""
    n = len(diagonal)
    band = np.zeros((2 * STATES, n * STATES))
    for column in range(STATES):
        for row in range(STATES):
            if row >= column:
                band[row - column, column::STATES] = diagonal[:, row, column]
            band[STATES + row - column, column::STATES] = below[:, row, column]
    return band

"""The banded solution against dense generalised least squares (statsmodels) and dense Gaussian-process algebra."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.calibration.ground_current import (
    LEG_HOURS,
    START_LEVEL_KN,
    START_SLOPE_KN_H,
    Bearings,
    Solved,
    Spread,
    current_of,
    solve,
)


@dataclass(frozen=True)
class Problem:
    y: np.ndarray
    x: np.ndarray
    variance: np.ndarray
    at: Bearings
    current: np.ndarray  # covariance of the current's north (and east) between bits
    sigma: np.ndarray  # covariance of the observations, bit by bit, along and across


SPREAD = Spread(0.3, 0.12, 0.6, 0.05, 0.08, 0.04, 0.06)


@pytest.fixture(scope="module")
def problem() -> Problem:
    rng = np.random.default_rng(7)
    n = 26
    block = np.repeat([0, 1], [15, 11])
    hours = np.concatenate((np.cumsum(rng.uniform(0.008, 0.05, 15)), 30.0 + np.cumsum(rng.uniform(0.008, 0.05, 11))))
    leg = np.concatenate((np.repeat([0, 1, 2], 5), np.repeat([3, 4], [6, 5])))
    course = np.array([0.3, 1.9, 3.5, 5.0, 0.9])[leg] + rng.normal(0, 0.1, n)
    variance = rng.uniform(0.5, 2.0, (n, 1)) * np.array([SPREAD.along_kn**2, SPREAD.across_kn**2])
    current = _current_covariance(hours, block)
    sigma = np.zeros((n, 2, n, 2))
    turn = course[:, None] - course[None, :]
    same_leg = leg[:, None] == leg[None, :]
    drift = np.exp(-np.abs(hours[:, None] - hours[None, :]) / LEG_HOURS) * same_leg
    sigma[:, 0, :, 0] = current * np.cos(turn) + SPREAD.leg_along_kn**2 * drift
    sigma[:, 1, :, 1] = current * np.cos(turn) + SPREAD.leg_across_kn**2 * drift
    # along_i . across_j of unit vectors at courses i and j
    sigma[:, 0, :, 1] = current * np.sin(turn)
    sigma[:, 1, :, 0] = -current * np.sin(turn)
    sigma = sigma.reshape(2 * n, 2 * n) + np.diag(variance.ravel())
    x = rng.normal(0, 3.0, (n, 2, 3))
    y = x @ np.array([0.03, -0.01, 0.02]) + (np.linalg.cholesky(sigma) @ rng.standard_normal(2 * n)).reshape(n, 2)
    return Problem(y, x, variance, Bearings(hours, block, leg, course), current, sigma)


@pytest.fixture(scope="module")
def solved(problem: Problem) -> Solved:
    return solve(problem.y, problem.x, problem.variance, problem.at, SPREAD)


def _current_covariance(hours: np.ndarray, block: np.ndarray) -> np.ndarray:
    """Integrated Wiener process from a wide start plus Ornstein-Uhlenbeck: the textbook covariances.

    Source: Rasmussen and Williams, 2006, equation 6.28 (integrated Wiener) and 4.2.1 (exponential).
    """
    out = np.zeros((len(hours), len(hours)))
    for b in np.unique(block):
        here = np.flatnonzero(block == b)
        t = hours[here] - hours[here][0]
        low, high = np.minimum(t[:, None], t[None, :]), np.maximum(t[:, None], t[None, :])
        tide = SPREAD.tide_kn_h15**2 * (low**3 / 3.0 + (high - low) * low**2 / 2.0)
        start = START_LEVEL_KN**2 + START_SLOPE_KN_H**2 * t[:, None] * t[None, :]
        part = SPREAD.part_kn**2 * np.exp(-(high - low) / SPREAD.part_hours)
        out[np.ix_(here, here)] = start + tide + part
    return out


def test_parameters_and_their_covariance_as_statsmodels(problem: Problem, solved: Solved) -> None:
    covariance = np.linalg.inv(solved.normal.sum(axis=0))
    estimate = covariance @ solved.right.sum(axis=0)
    other = sm.GLS(problem.y.ravel(), problem.x.reshape(-1, 3), sigma=problem.sigma).fit()
    np.testing.assert_allclose(estimate, other.params, rtol=0, atol=1e-7)
    np.testing.assert_allclose(covariance, other.normalized_cov_params, rtol=1e-5)


def test_likelihood_as_dense_algebra(problem: Problem, solved: Solved) -> None:
    assert solved.log_det == pytest.approx(np.linalg.slogdet(problem.sigma)[1], rel=1e-7)
    y = problem.y.ravel()
    assert solved.square.sum() == pytest.approx(y @ np.linalg.solve(problem.sigma, y), rel=1e-6)


def test_information_by_block_adds_up(problem: Problem, solved: Solved) -> None:
    first = problem.at.block == 0
    at = problem.at
    alone = solve(
        problem.y[first],
        problem.x[first],
        problem.variance[first],
        Bearings(at.hours[first], at.block[first], at.leg[first], at.course_rad[first]),
        SPREAD,
    )
    np.testing.assert_allclose(solved.normal[0], alone.normal[0], rtol=1e-9)
    np.testing.assert_allclose(solved.right[0], alone.right[0], rtol=1e-7, atol=1e-7)


def test_current_as_dense_prediction(problem: Problem, solved: Solved) -> None:
    """Mean of the current given the observations: covariance with them times their inverse (best linear prediction)."""
    north, _ = current_of(solved.states @ np.array([1.0, 0.0, 0.0, 0.0]))
    c, s = np.cos(problem.at.course_rad), np.sin(problem.at.course_rad)
    cross = np.stack((problem.current * c[None, :], -problem.current * s[None, :]), axis=2).reshape(len(c), -1)
    np.testing.assert_allclose(north, cross @ np.linalg.solve(problem.sigma, problem.y.ravel()), atol=1e-5)

"""The wind's course: slope of its likelihood, and evidence against the textbook's formula."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration import wind_course
from pipeline.calibration.wind_course import FREE_LEVEL, Course, Series, covariance, evidence, fit_course

COURSE = Course((2.0, 3.0, 8.0, 5.0, 10.0), 0.7)


def _chunk(n: int, seed: int, course: Course = COURSE) -> Series:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(25.0, 60.0, n))
    seconds = rng.uniform(15.0, 35.0, n)
    k = covariance(course, time_s, seconds, np.zeros(n)) - FREE_LEVEL
    return Series(time_s, seconds, np.linalg.cholesky(k) @ rng.standard_normal(n), np.zeros(n))


def test_slope_of_the_likelihood_is_its_finite_difference():
    chunk = _chunk(40, 1)
    bases = wind_course._bases(chunk)
    x = COURSE.packed()
    _, slope = wind_course._chunk_cost(np.exp(x), chunk, bases)
    for j in range(len(x)):
        step = np.zeros(len(x))
        step[j] = 1e-5
        more, _ = wind_course._chunk_cost(np.exp(x + step), chunk, bases)
        less, _ = wind_course._chunk_cost(np.exp(x - step), chunk, bases)
        assert slope[j] == pytest.approx((more - less) / 2e-5, rel=1e-5, abs=1e-6)


def test_evidence_is_generalised_least_squares():
    """Exactly solvable: with no far pieces, precision and estimate are X' K^-1 X and (X' K^-1 X)^-1 X' K^-1 y."""
    chunk = _chunk(60, 2)
    rng = np.random.default_rng(3)
    design = np.column_stack((np.sign(np.sin(np.arange(60) / 3.0)), rng.standard_normal(60)))
    true = np.array([1.5, -0.4])
    chunk = Series(chunk.time_s, chunk.seconds, chunk.values + design @ true, chunk.added)
    found = evidence(COURSE, chunk, design, true)
    k = covariance(COURSE, chunk.time_s, chunk.seconds, chunk.added)
    normal = design.T @ np.linalg.solve(k, design)
    estimate = np.linalg.solve(normal, design.T @ np.linalg.solve(k, chunk.values))
    rest = chunk.values - design @ true
    strength = (6.0 + 0.5 * rest @ np.linalg.solve(k, rest)) / (6.0 + 30.0)
    np.testing.assert_allclose(found.precision, normal / strength, rtol=1e-8)
    np.testing.assert_allclose(np.linalg.solve(found.precision, found.weighed), estimate, rtol=1e-6)
    assert np.all(np.abs(estimate - true) < 4.0 * np.sqrt(np.diag(np.linalg.inv(found.precision))))


def test_one_piece_far_off_counts_for_less():
    chunk = _chunk(60, 4)
    values = chunk.values.copy()
    values[30] += 60.0
    found = evidence(COURSE, Series(chunk.time_s, chunk.seconds, values, chunk.added), np.zeros((60, 1)), np.zeros(1))
    assert found.far.argmax() == 30
    assert found.far[30] > 10.0 * COURSE.noise
    assert np.median(found.far) == 0.0


def test_fitted_course_finds_the_size_of_shifts():
    """Chunks drawn from a course three times as restless as the usual one: variance within 10 min found within 40 %."""
    true = Course((6.0, 9.0, 24.0, 15.0, 30.0), 2.1)
    found = fit_course([_chunk(150, 10 + i, true) for i in range(6)], COURSE)

    def wander(course: Course) -> float:
        scales = wind_course.SCALES_S
        return sum(v * (1.0 - np.exp(-600.0 / s)) for v, s in zip(course.variances, scales, strict=True))

    assert wander(found) == pytest.approx(wander(true), rel=0.4)


def _tacking_on_headers(chunk: Series) -> np.ndarray:
    """Side at each piece (1 starboard) of a crew that tacks when headed by 3 deg against the six minutes before."""
    side, sides, since = 1.0, [], 0
    for i in range(len(chunk.values)):
        sides.append(side)
        since += 1
        header = chunk.values[max(0, i - 1) : i + 1].mean() - chunk.values[max(0, i - 12) : i + 1].mean()
        if since > 6 and -side * header > 3.0:  # with wind from starboard a backing wind heads, from port a veering one
            side, since = -side, 0
    return np.array(sides)


def test_headers_do_not_pass_for_upwash_where_the_mean_step_is_deceived():
    """No upwash is there to be found; the plain mean step at tacks finds one deg, the course in time none.

    Tacks depend on the wind's past alone, so given the course they add no factor to the likelihood.
    """
    chunks = [_chunk(200, 100 + seed, Course((1.0, 3.0, 20.0, 4.0, 6.0), 0.3)) for seed in range(30)]
    sides = [_tacking_on_headers(chunk) for chunk in chunks]
    steps = [
        s[t + 1] * (c.values[t + 1 : t + 5].mean() - c.values[t - 3 : t + 1].mean()) / 2.0
        for c, s in zip(chunks, sides, strict=True)
        for t in np.flatnonzero(np.diff(s))
        if 4 <= t < 195
    ]
    course = fit_course(chunks, COURSE)
    found = [evidence(course, c, s[:, None], np.zeros(1)) for c, s in zip(chunks, sides, strict=True)]
    precision = sum(e.precision[0, 0] for e in found)
    estimate = sum(e.weighed[0] for e in found) / precision
    assert abs(np.mean(steps)) > 5.0 * np.std(steps) / np.sqrt(len(steps))
    assert abs(estimate) < 2.5 / np.sqrt(precision)
    assert abs(estimate) < 0.3 * abs(np.mean(steps))

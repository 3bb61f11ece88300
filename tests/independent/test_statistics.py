"""The fit's parts against independent implementations: numerical derivatives, scipy splines, statsmodels GLS."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.interpolate import BSpline

from pipeline.surfaces import parameters
from pipeline.surfaces.components import Layout
from pipeline.surfaces.coordinates import Axis
from pipeline.surfaces.day_blocks import Weights, covariance, day_block, gradient
from pipeline.surfaces.latent_wind import smooth_series
from pipeline.surfaces.model import DayData, Problem, evaluate

RNG = np.random.default_rng(5)
N = 60
HOURS = np.sort(RNG.uniform(0, 3, N))
TWA = RNG.choice([-1.0, 1.0], N) * RNG.uniform(35, 170, N)
BLOCK = day_block(np.arange(N), HOURS, np.repeat([0, 1], N // 2), np.arange(N) % 3, np.arange(N) // 6, TWA)
NAMED = parameters.named(parameters.PRIOR_MEAN)
WEIGHT = Weights(RNG.uniform(0.5, 1.5, N), np.repeat(RNG.uniform(0.5, 1.5, N // 6), 6), RNG.uniform(0, 1e-4, N))


@pytest.mark.parametrize("derivative", [0, 1])
def test_splines_equal_scipy(derivative: int) -> None:
    axis = Axis.over(2.0, 5.0, 0.4)
    knots = axis.low + axis.step * np.arange(-3, axis.count + 1)
    x = np.linspace(2.0, 4.999, 77)
    c = RNG.normal(size=axis.count)
    first, values = axis.rows(x, derivative)
    ours = np.array([v @ c[f : f + 4] for f, v in zip(first, values, strict=True)])
    assert ours == pytest.approx(BSpline(knots, c, 3)(x, nu=derivative), abs=1e-9)


def test_day_gradient_equals_differences() -> None:
    h = RNG.normal(size=(N, N))
    h = h + h.T
    exact = gradient(BLOCK, NAMED, WEIGHT, h)
    for k, p in enumerate(parameters.NOISE_PARAMETERS):
        up, down = ({**NAMED, p.name: NAMED[p.name] * np.exp(s * 1e-5)} for s in (1, -1))
        dv = (covariance(BLOCK, up, WEIGHT)[0] - covariance(BLOCK, down, WEIGHT)[0]) / 2e-5
        assert exact[k] == pytest.approx(0.5 * np.sum(h * dv), rel=1e-5, abs=1e-12)


def test_posterior_equals_statsmodels_gls() -> None:
    x = np.column_stack([np.ones(N), RNG.normal(size=(N, 2))])
    y = x @ [0.3, 0.2, -0.1] + RNG.normal(0, 0.02, N)
    problem = Problem(Layout((), (), {}, 3, {}), (DayData(BLOCK, np.arange(3), x),), y, np.full(3, 1e5), 0.0)
    ours = evaluate(problem, parameters.PRIOR_MEAN, WEIGHT, with_gradient=False, with_root=True)
    theirs = sm.GLS(y, x, sigma=covariance(BLOCK, NAMED, WEIGHT)[0]).fit()
    assert ours.mean == pytest.approx(theirs.params, rel=1e-6)
    assert ours.root.T @ ours.root == pytest.approx(theirs.normalized_cov_params, rel=1e-5)


def test_neighbours_count_for_less_as_ar1_theory_says() -> None:
    # AR(1): effective n = n (1 - rho) / (1 + rho); rho 0.8, n 600 -> 66.67 (calc). Exponential covariance is AR(1).
    n, rho = 600, 0.8
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    v = rho**lag
    assert v.sum() / n**2 == pytest.approx(1 / 66.67, rel=0.01)


def test_wind_error_is_told_from_wind() -> None:
    rng = np.random.default_rng(2)
    hours = np.arange(1500) * 45 / 3600
    slow = np.zeros(1500)
    for k in range(1, 1500):
        slow[k] = 0.9 * slow[k - 1] + np.sqrt(1 - 0.81) * 2.5 * rng.normal()
    measured = slow + rng.normal(0, 1.2, 1500)
    found = smooth_series(measured, hours, list(np.arange(1500).reshape(30, 50)))
    assert found.error_sd == pytest.approx(1.2, rel=0.15)
    assert np.std(found.smooth - slow) < 0.8 * np.std(measured - slow)

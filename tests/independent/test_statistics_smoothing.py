"""The surfaces' smoother against independent ones: R's mgcv, scikit-learn, least-squares splines, the straight line.

Source of the reference smooth: `prediction_from_mgcv.csv`, shipped by statsmodels, whose column `y_mgcv_gcv` is the fit
of mgcv (R) with smoothing by generalized cross-validation. Limits of a spline smoother: Eilers & Marx 1996, Statistical
Science 11, 89-121. Franke's function: Franke 1979, NPS-53-79-003 (formula from memory).
"""

from __future__ import annotations

import csv
import importlib.resources
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from scipy import optimize
from scipy.interpolate import make_lsq_spline
from scipy.stats import multivariate_normal
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import DotProduct
from threadpoolctl import threadpool_limits

from pipeline.surfaces import parameters
from pipeline.surfaces.components import HULL, Component, Layout
from pipeline.surfaces.coordinates import Axis, Lattice, angle_coordinate
from pipeline.surfaces.day_blocks import Weights, day_block
from pipeline.surfaces.model import DayData, Problem, evaluate, prior_factor

SURFACE = ("hull_sd", "hull_wind_length", "hull_angle_length_deg")
WHITE = tuple(n for n in parameters.NAMES if n.startswith("white_"))
NO_NOISE = 1e-7
BEAM_DEG = 90.0
BLOCK = 50


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    with threadpool_limits(limits=1, user_api="blas"):
        yield


@dataclass(frozen=True)
class Smoother:
    """The hull's component alone, over points (wind coordinate, TWA), with white noise."""

    problem: Problem
    x: np.ndarray
    y: np.ndarray

    @classmethod
    def over(cls, wind: np.ndarray, twa_deg: np.ndarray, y: np.ndarray, lattice: Lattice) -> Smoother:
        nodes, _ = lattice.rows(wind, twa_deg)
        active = np.unique(nodes)
        columns = np.full(lattice.size, -1, dtype=np.int64)
        columns[active] = np.arange(len(active))
        layout = Layout((), (Component(HULL, "hull", lattice, columns, 0, len(active)),), {}, len(active))
        x = layout.rows_at([HULL], wind, twa_deg).toarray()
        n = len(y)
        zero = np.zeros(n, dtype=np.int64)
        parts = np.array_split(np.arange(n), -(-n // BLOCK))  # white noise alone: blocks are independent
        blocks = [day_block(rows, np.arange(n, dtype=float), zero, zero, zero, np.full(n, BEAM_DEG)) for rows in parts]
        days = tuple(DayData(b, np.arange(len(active)), x[b.rows]) for b in blocks)
        return cls(Problem(layout, days, y, np.zeros(0), float(wind.mean())), x, y)

    def weights(self) -> Weights:
        n = len(self.y)
        return Weights(np.ones(n), np.ones(n), np.zeros(n))

    def theta(self, **values: float) -> np.ndarray:
        named = dict.fromkeys(parameters.NAMES, NO_NOISE)
        lengths = dict(zip(parameters.NAMES, np.exp(parameters.PRIOR_MEAN), strict=True))
        named |= {k: v for k, v in lengths.items() if not k.endswith("_sd")} | values
        return np.log([named[n] for n in parameters.NAMES])

    def fit(self, theta: np.ndarray):
        return evaluate(self.problem, theta, self.weights(), with_gradient=False, with_root=True)

    def freedom(self, theta: np.ndarray, white_sd: float) -> float:
        """Effective degrees of freedom: trace of the hat matrix X S X' / sigma^2."""
        return float(((self.x @ self.fit(theta).root.T) ** 2).sum() / white_sd**2)

    def chosen(self, names: tuple[str, ...], **fixed: float) -> np.ndarray:
        """Parameters of the largest marginal likelihood; the windows' noise is one figure."""

        def at(values: np.ndarray) -> np.ndarray:
            given = dict(zip(names, np.exp(values[:-1]), strict=True))
            return self.theta(**given, **dict.fromkeys(WHITE, float(np.exp(values[-1]))), **fixed)

        def cost(values: np.ndarray) -> float:
            theta = at(values)
            shift = (theta - parameters.PRIOR_MEAN) / parameters.PRIOR_SD
            return self.fit(theta).objective - 0.5 * shift @ shift  # the data's own say

        start = np.log([*(np.ptp(self.y) for _ in names[:1]), *(1.0 for _ in names[1:]), 0.3 * np.std(self.y)])
        return at(optimize.minimize(cost, start, method="Nelder-Mead", options={"xatol": 0.05, "fatol": 0.05}).x)


def mgcv() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    text = (importlib.resources.files("statsmodels.gam.tests") / "results/prediction_from_mgcv.csv").read_text()
    rows = list(csv.DictReader(text.splitlines()))
    x, y, smooth = (np.array([float(r[c]) for r in rows]) for c in ("x", "y", "y_mgcv_gcv"))
    return x, y, smooth


def line_over(x: np.ndarray, y: np.ndarray, pieces: int) -> Smoother:
    step = np.ptp(x) / pieces
    lattice = Lattice(Axis.over(float(x.min()), float(x.max()), step), Axis.over(BEAM_DEG, BEAM_DEG + 1.0, 1.0))
    return Smoother.over(x, np.full(len(x), BEAM_DEG), y, lattice)


def test_smoothing_chosen_by_likelihood_agrees_with_mgcv() -> None:
    x, y, theirs = mgcv()
    ours = line_over(x, y, 24)
    theta = ours.chosen(SURFACE[:2], hull_angle_length_deg=1e4)
    assert ours.x @ ours.fit(theta).mean == pytest.approx(theirs, abs=0.02)


def test_no_spread_left_is_the_straight_line() -> None:
    x, y, _ = mgcv()
    x, y = x[:200], y[:200]
    ours = line_over(x, y, 20)
    theta = ours.theta(hull_sd=1e-5, hull_wind_length=1e-3, hull_angle_length_deg=1e-3, **dict.fromkeys(WHITE, 0.003))
    slope, level = np.polyfit(x, y, 1)
    assert ours.x @ ours.fit(theta).mean == pytest.approx(level + slope * x, abs=1e-4)
    assert ours.freedom(theta, 0.003) == pytest.approx(2.0, abs=0.01)


def test_unlimited_spread_is_the_least_squares_spline() -> None:
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0.0, 1.0, 300))
    y = np.sin(6.0 * x) + rng.normal(0, 0.1, 300)
    x[[0, -1]] = 0.0, 1.0
    ours = line_over(x, y, 20)
    theta = ours.theta(hull_sd=3e3, hull_wind_length=1e-3, hull_angle_length_deg=1e4, **dict.fromkeys(WHITE, 0.1))
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, 21), [1.0] * 3])
    assert ours.x @ ours.fit(theta).mean == pytest.approx(make_lsq_spline(x, y, knots)(x), abs=1e-5)
    assert ours.freedom(theta, 0.1) == pytest.approx(23.0, abs=0.01)  # 20 pieces and 3


def test_freedom_falls_as_spread_falls() -> None:
    x, y, _ = mgcv()
    ours = line_over(x[:200], y[:200], 20)
    spreads = (10.0, 1.0, 0.3, 0.1, 0.03, 0.01, 0.001)
    freedom = [ours.freedom(ours.theta(hull_sd=s, **dict.fromkeys(WHITE, 0.05)), 0.05) for s in spreads]
    assert all(a > b for a, b in pairwise(freedom))
    assert freedom[-1] == pytest.approx(2.0, abs=0.1)


def scattered(n: int = 150, sd: float = 0.02) -> tuple[Smoother, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    u, v = rng.uniform(0, 1, (2, n))
    wind, angle = 2.0 + 3.0 * u, 90.0 + 25.0 * v  # here the angle coordinate is the angle itself
    lattice = Lattice(Axis.over(2.0, 5.0, 0.3), Axis.over(*angle_coordinate(np.array([90.0, 115.0])), 3.0))
    y = franke(u, v) + rng.normal(0, sd, n)
    return Smoother.over(wind, angle, y, lattice), wind, angle, franke(u, v)


def franke(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def test_franke_is_franke() -> None:
    assert float(franke(np.array(0.5), np.array(0.5))) == pytest.approx(0.3257620893, abs=1e-9)
    grid = np.linspace(0, 1, 1001)
    values = franke(*np.meshgrid(grid, grid))
    assert values.max() == pytest.approx(1.22003, abs=1e-4) and values.mean() == pytest.approx(0.40689, abs=1e-3)


def test_posterior_and_likelihood_equal_scikit_learn_and_scipy() -> None:
    # y ~ N(0, X K X' + sigma^2 I), K = L L': a Gaussian process with the linear kernel on the features X L.
    ours, *_ = scattered()
    theta = ours.theta(hull_sd=0.5, hull_wind_length=0.8, hull_angle_length_deg=8.0, **dict.fromkeys(WHITE, 0.02))
    fit = ours.fit(theta)
    (_, factor), *_ = prior_factor(ours.problem, parameters.named(theta))[0]
    features = ours.x @ factor
    process = GaussianProcessRegressor(DotProduct(0.0, "fixed"), alpha=0.02**2, optimizer=None).fit(features, ours.y)
    mean, sd = process.predict(features, return_std=True)
    assert ours.x @ fit.mean == pytest.approx(mean, abs=1e-6)
    assert np.linalg.norm(ours.x @ fit.root.T, axis=1) == pytest.approx(sd, rel=1e-3)
    shift = (theta - parameters.PRIOR_MEAN) / parameters.PRIOR_SD
    n = len(ours.y)
    theirs = multivariate_normal(np.zeros(n), features @ features.T + 0.02**2 * np.eye(n)).logpdf(ours.y)
    assert -(fit.objective - 0.5 * shift @ shift) - 0.5 * n * np.log(2 * np.pi) == pytest.approx(theirs, rel=1e-6)


def test_franke_recovered_from_scattered_points() -> None:
    ours, _, _, true = scattered(n=400)
    theta = ours.theta(hull_sd=0.5, hull_wind_length=0.8, hull_angle_length_deg=7.0, **dict.fromkeys(WHITE, 0.02))
    fit = ours.fit(theta)
    error = ours.x @ fit.mean - true
    sd = np.linalg.norm(ours.x @ fit.root.T, axis=1)
    assert np.sqrt(np.mean(error**2)) < 0.015  # less than the noise of one point, 0.02
    assert 0.82 <= np.mean(np.abs(error) <= 1.645 * sd) <= 0.98

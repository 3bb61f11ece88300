"""A Gaussian process a set (scikit-learn): anisotropic kernel and white noise, chosen by marginal likelihood."""

from __future__ import annotations

import warnings

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern, WhiteKernel

from tests.benchmarks.rivals.common import Chart, Fitted, Grid, Rule, Windows, averaged, chart_by_rule

NAME = "gp"
# Kernel, and minutes over which windows of one cell are averaged: neighbours are too alike to count as independent.
VARIANTS: tuple[tuple[str, float], ...] = (("matern", 15.0), ("rbf", 15.0), ("rbf", 5.0), ("rbf", 45.0))
RULES = tuple(
    Rule(r, n, p, s)
    for r in (1.0, 1.5, 2.5, 3.75)
    for n in (1, 4, 8, 15, 30)
    for p in (1.0, 1.5, 2.2, 3.0, 5.0, np.inf)
    for s in (1, 2)
)
# Chosen for the least regret on known boats, all four, seeds 201 and 202.
VARIANT, RULE = VARIANTS[1], Rule(1.5, 4, 5.0, 1)
SCALE = np.array([5.0, 30.0])  # knots and degrees to a unit of the kernel's lengths
MOST_POINTS = 250  # a set; beyond, a fixed random choice, so that a season takes seconds
FEWEST_POINTS = 5


def fit(w: Windows, grid: Grid, variant: tuple[str, float]) -> Fitted:
    """Posterior mean and standard deviation of log speed on an ordinary day."""
    kind, minutes = variant
    means = averaged(w, minutes)
    shape = (len(w.sets), *grid.shape)
    speed, sd = np.full(shape, np.nan), np.full(shape, np.nan)
    rng = np.random.default_rng(0)
    for k in range(len(w.sets)):
        mine = np.flatnonzero(means.set_number == k)
        if len(mine) < FEWEST_POINTS:
            continue
        if len(mine) > MOST_POINTS:
            mine = np.sort(rng.choice(mine, MOST_POINTS, replace=False))
        x = np.column_stack([means.tws_kn, means.twa_deg])[mine] / SCALE
        smooth = RBF([1.0, 1.0], (0.1, 20.0)) if kind == "rbf" else Matern([1.0, 1.0], (0.1, 20.0), nu=2.5)
        kernel = ConstantKernel(1.0, (1e-2, 1e3)) * smooth + WhiteKernel(0.1, (1e-4, 1.0))
        model = GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            model.fit(x, means.y[mine])
        mean, total = model.predict(grid.points / SCALE, return_std=True)
        white = model.kernel_.k2.noise_level * np.var(means.y[mine])
        speed[k] = mean.reshape(grid.shape)
        sd[k] = np.sqrt(np.maximum(total**2 - white, 0.0)).reshape(grid.shape)
    return Fitted(speed, sd)


def chart(w: Windows, grid: Grid, fitted: Fitted, rule: Rule, _variant: tuple[str, float]) -> Chart:
    """Supported by density and by the posterior's width."""
    return chart_by_rule(w, grid, fitted, rule)

"""A generalized additive model (pyGAM): tensor-product smooths of wind and angle on log speed, and effects of days.

Smoothing is chosen by the library's own generalized cross-validation, over its own grid search.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.benchmarks.rivals.common import HALF_90, Chart, Fitted, Floats, Grid, Rule, Windows, averaged, chart_by_rule

NAME = "additive"
# A model a set, the same with effects of days, or one model: smooth + a smooth of each set's own + effects of days.
VARIANTS: tuple[str, ...] = ("by set", "by set, days", "joint")
RULES = tuple(
    Rule(r, n, p, s)
    for r in (1.0, 1.5, 2.5, 3.75)
    for n in (1, 4, 8, 15, 30)
    for p in (1.0, 1.5, 2.2, 3.0, 5.0, np.inf)
    for s in (1, 2)
)
# Chosen for the least regret on known boats, all four, seeds 201 and 202.
VARIANT, RULE = VARIANTS[2], Rule(2.5, 4, 3.0, 1)
MINUTES = 15.0  # windows of one cell so near in time are averaged: as if independent they would be smoothed too little
SPLINES = (6, 8)
SMOOTHING = np.logspace(-5, 1, 4)
SMOOTHING_JOINT = np.array([1e-5, 1e-3, 1e-1])
DAY_SMOOTHING = 3.0
FEWEST_POINTS = 12


def fit(w: Windows, grid: Grid, variant: str) -> Fitted:
    """Mean over the days, and the standard deviation of the smooths."""
    means = averaged(w, MINUTES)
    shape = (len(w.sets), *grid.shape)
    if variant == "joint":
        speed, sd = _joint(means, grid)
        return Fitted(speed.reshape(shape), sd.reshape(shape))
    speed, sd = np.full(shape, np.nan), np.full(shape, np.nan)
    for k in range(len(w.sets)):
        mine = means.set_number == k
        if mine.sum() >= FEWEST_POINTS:
            found = _one_set(means, mine, grid, variant == "by set, days")
            speed[k], sd[k] = (x.reshape(grid.shape) for x in found)
    return Fitted(speed, sd)


def _one_set(means: Windows, mine: np.ndarray, grid: Grid, with_days: bool) -> tuple[Floats, Floats]:
    from pygam import LinearGAM, f, te

    _, day = np.unique(means.day[mine], return_inverse=True)
    x, y = np.column_stack([means.tws_kn[mine], means.twa_deg[mine], day]), means.y[mine]
    terms, knobs, days = te(0, 1, n_splines=list(SPLINES)), [SMOOTHING, SMOOTHING], 1
    if with_days and day.max() > 0:
        terms, knobs, days = terms + f(2, lam=DAY_SMOOTHING), [*knobs, [DAY_SMOOTHING]], int(day.max()) + 1
    model = LinearGAM(terms).gridsearch(x, y, lam=knobs, progress=False)
    return _mean_of_days(model, grid, days, np.zeros(0))


def _joint(means: Windows, grid: Grid) -> tuple[Floats, Floats]:
    from pygam import LinearGAM, f, te

    sets = len(means.sets)
    _, day = np.unique(means.day, return_inverse=True)
    flown = np.eye(sets)[means.set_number]
    terms = te(0, 1, n_splines=list(SPLINES)) + f(2, lam=DAY_SMOOTHING)
    for k in range(sets):
        terms = terms + te(0, 1, n_splines=list(SPLINES), by=3 + k)
    knobs = [[a, a, DAY_SMOOTHING, *([b] * 2 * sets)] for a in SMOOTHING_JOINT for b in SMOOTHING_JOINT]
    x = np.column_stack([means.tws_kn, means.twa_deg, day, flown])
    model = LinearGAM(terms).gridsearch(x, means.y, lam=np.array(knobs), progress=False)
    found = [_mean_of_days(model, grid, int(day.max()) + 1, which) for which in np.eye(sets)]
    return np.stack([f[0] for f in found]), np.stack([f[1] for f in found])


def _mean_of_days(model: Any, grid: Grid, days: int, which: Floats) -> tuple[Floats, Floats]:
    points = grid.points
    rest = np.tile(which, (len(points), 1))
    each = [np.column_stack([points, np.full(len(points), d), rest]) for d in range(days)]
    mean = np.mean([model.predict(p) for p in each], axis=0)
    width = np.mean([np.ptp(model.confidence_intervals(p, width=0.9), axis=1) for p in each], axis=0)
    return mean, width / (2.0 * HALF_90)


def chart(w: Windows, grid: Grid, fitted: Fitted, rule: Rule, _variant: str) -> Chart:
    """Supported by density and by the width of the interval."""
    return chart_by_rule(w, grid, fitted, rule)

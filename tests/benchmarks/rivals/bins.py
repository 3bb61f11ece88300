"""Bins with medians: the middle log speed of the windows in a box about each node, or that of the nearest full box."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt

from tests.benchmarks.rivals.common import HALF_90, Chart, Fitted, Grid, Rule, Windows, chart_of, windows_near

NAME = "bins"
# Half height of the box in knots (5 deg of half width a knot): 0.5 is the plain bin of 1 kn x 5 deg.
VARIANTS: tuple[float, ...] = (0.5, 1.0, 1.5)
REACHES_STEPS = (0.0, 1.0, 2.0, 3.0)  # how far, in steps of the grid, the nearest full box may be
RULES = tuple(Rule(r, n, p, s) for r in REACHES_STEPS for n in (2, 4, 8, 15, 30) for p in (np.inf, 2.0) for s in (1, 2))
LEAST = 2  # windows of which a middle is taken
MEDIAN_SD = np.sqrt(np.pi / 2.0)  # standard error of a median of normal values, in standard errors of the mean
# Chosen for the least regret on known boats, all four, seeds 201 and 202.
VARIANT, RULE = VARIANTS[0], Rule(0.0, 2, np.inf, 2)


def fit(w: Windows, grid: Grid, half_kn: float) -> Fitted:
    """Medians, and their standard errors from the middle spread as if windows were independent."""
    shape = (len(w.sets), *grid.shape)
    middle, sd = np.full(shape, np.nan), np.full(shape, np.nan)
    near_tws = np.abs(w.tws_kn[:, None] - grid.tws_kn[None, :]) <= half_kn
    near_twa = np.abs(w.twa_deg[:, None] - grid.twa_deg[None, :]) <= half_kn * 5.0
    full = windows_near(w, grid, half_kn) >= LEAST
    for k in range(len(w.sets)):
        mine = w.set_number == k
        for i, j in np.argwhere(full[k]):
            y = w.y[mine & near_tws[:, i] & near_twa[:, j]]
            middle[k, i, j] = np.median(y)
            sd[k, i, j] = MEDIAN_SD * 1.4826 * np.median(np.abs(y - middle[k, i, j])) / np.sqrt(len(y))
    return Fitted(middle, sd)


def chart(w: Windows, grid: Grid, fitted: Fitted, rule: Rule, half_kn: float) -> Chart:
    """Boxes of enough windows, and their values carried to nodes within the rule's reach of one (in steps)."""
    full = windows_near(w, grid, half_kn) >= max(rule.least_windows, LEAST)
    if np.isfinite(rule.widest_pct):
        full &= HALF_90 * fitted.log_sd <= rule.widest_pct / 100.0
    speed, sd = np.full_like(fitted.log_speed, np.nan), np.full_like(fitted.log_sd, np.nan)
    for k in range(len(w.sets)):
        if not full[k].any():
            continue
        far, at = distance_transform_edt(~full[k], return_indices=True)
        near = far <= rule.reach_kn
        speed[k] = np.where(near, fitted.log_speed[k][tuple(at)], np.nan)
        sd[k] = np.where(near, fitted.log_sd[k][tuple(at)], np.nan)
    return chart_of(w, grid, Fitted(speed, sd), np.isfinite(speed), rule.least_sets)

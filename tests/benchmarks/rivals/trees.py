"""Gradient-boosted trees on wind, angle and set (scikit-learn), tuned by cross-validation that leaves days out."""

from __future__ import annotations

import numpy as np
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.model_selection import GridSearchCV, GroupKFold

from tests.benchmarks.rivals.common import Chart, Fitted, Grid, Rule, Windows, chart_by_rule

NAME = "trees"
VARIANTS: tuple[str, ...] = ("squared_error",)
RULES = tuple(Rule(r, n, np.inf, s) for r in (1.0, 1.5, 2.5, 3.75) for n in (1, 4, 8, 15, 30, 60) for s in (1, 2))
# Chosen for the least regret on known boats, all four, seeds 201 and 202.
VARIANT, RULE = VARIANTS[0], Rule(1.5, 15, np.inf, 2)
KNOBS = {"max_leaf_nodes": [4, 8, 16], "min_samples_leaf": [20, 60], "max_iter": [60, 150]}
FOLDS = 4


def fit(w: Windows, grid: Grid, loss: str) -> Fitted:
    """Expected (or, with absolute error, middle) log speed of every set on the grid; no intervals."""
    x = np.column_stack([w.tws_kn, w.twa_deg, w.set_number])
    model = HistGradientBoostingRegressor(loss=loss, categorical_features=[2], early_stopping=False, random_state=0)
    folds = GroupKFold(min(FOLDS, len(np.unique(w.day))))
    found = GridSearchCV(model, KNOBS, cv=folds, scoring="neg_mean_squared_error").fit(x, w.y, groups=w.day)
    points = grid.points
    speed = [found.predict(np.column_stack([points, np.full(len(points), k)])) for k in range(len(w.sets))]
    log_speed = np.stack(speed).reshape(len(w.sets), *grid.shape)
    return Fitted(log_speed, np.full_like(log_speed, np.nan))


def chart(w: Windows, grid: Grid, fitted: Fitted, rule: Rule, _loss: str) -> Chart:
    """Supported by density."""
    return chart_by_rule(w, grid, fitted, rule)

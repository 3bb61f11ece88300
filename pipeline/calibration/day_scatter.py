"""Estimates of single days as one model: a course through the season, the scatter of days, the error of each estimate.

y_i = course(t_i) + b_i + e_i, e_i of the known variance of the day's estimate, b_i of the day variance common to all
days (sea, shear, crew). The day variance is not known well from a dozen days, so it leans on what days usually do and
is averaged over. Likelihoods for many series at once on a grid of day variances: so thresholds can be simulated in a
moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats

# What the estimate of one day usually differs by from another day's, beside its own error (which holds the twist of the
# wind): shear changes the speed at the masthead; waves and helm do the rest. Common practice, no source; a wide prior,
# the days themselves soon weigh more.
USUAL_DAY_SD: Mapping[str, float] = {
    "boat_speed_factor": 0.004,
    "heading_offset_deg": 0.3,
    "awa_offset_deg": 0.2,
    "aws_factor": 0.015,
    "upwash_deg": 0.7,
    "leeway_coefficient": 1.0,
}
PRIOR_LOG_SD = 0.5
_GRID = np.geomspace(0.1, 7.0, 9)


@dataclass(frozen=True, slots=True)
class Days:
    """Estimates of one parameter: `t` (days since the first), `estimate`, `sd` of each, ascending in time.

    `favour`: by how much (log odds) a step is likelier just before each day than before another, for what people noted.
    """

    t: Floats
    estimate: Floats
    sd: Floats
    usual_sd: float
    favour: Floats

    def __len__(self) -> int:
        """Number of days."""
        return len(self.t)

    def part(self, first: int, end: int) -> Days:
        """Days `first` to before `end`."""
        here = slice(first, end)
        return Days(self.t[here], self.estimate[here], self.sd[here], self.usual_sd, self.favour[here])


@dataclass(frozen=True, slots=True)
class Gains:
    """Log-likelihood gained over a constant by a step before day k (`steps`, one column a k; what favours the day is in
    it) and by a linear trend."""

    steps: Floats
    trend: Floats


def gains(days: Days, series: Floats, least_before: int, least_after: int) -> Gains:
    """Gains of `series` (many series x days) with the errors of `days`; each model averaged over the day variance.

    The first column of `steps` has `least_before` days before the step, the last `least_after` from it on.
    """
    y = series - series.mean(axis=1, keepdims=True)
    out_steps, out_trend = [], []
    for part in np.array_split(y, max(1, y.size * len(_GRID) // 2_000_000)):
        steps, trend = _gains(days, part, least_before, least_after)
        out_steps.append(steps)
        out_trend.append(trend)
    return Gains(np.concatenate(out_steps), np.concatenate(out_trend))


def _gains(days: Days, y: Floats, least_before: int, least_after: int) -> tuple[Floats, Floats]:
    _, weight, height = _grid(days)
    wy = weight[None] * y[:, None, :]
    base = height[None] - 0.5 * (wy * y[:, None, :]).sum(axis=2)
    sum_w, sum_wy = np.cumsum(weight, axis=1), np.cumsum(wy, axis=2)
    whole_w, whole_wy = sum_w[:, -1:], sum_wy[:, :, -1:]
    constant = _log_sum(base + 0.5 * (whole_wy**2 / whole_w[None])[:, :, 0])
    k = slice(least_before - 1, len(days) - least_after)
    left_w, left_wy = sum_w[:, k], sum_wy[:, :, k]
    right_w, right_wy = whole_w - left_w, whole_wy - left_wy
    fitted = left_wy**2 / left_w[None] + right_wy**2 / right_w[None]
    steps = (
        _log_sum(base[:, :, None] + 0.5 * fitted) - constant[:, None] + days.favour[least_before:][: fitted.shape[2]]
    )
    centre = (weight * days.t).sum(axis=1) / whole_w[:, 0]
    lever = days.t[None] - centre[:, None]
    slope_part = (wy * lever[None]).sum(axis=2) ** 2 / (weight * lever**2).sum(axis=1)[None]
    trend = _log_sum(base + 0.5 * ((whole_wy**2 / whole_w[None])[:, :, 0] + slope_part)) - constant
    return steps, trend


def _log_sum(terms: Floats) -> Floats:
    """Logarithm of the sum of exponentials over axis 1, without overflow."""
    top = terms.max(axis=1)
    return top + np.log(np.exp(terms - np.expand_dims(top, 1)).sum(axis=1))


def spell_gains(days: Days, series: Floats, least: int) -> tuple[Floats, list[tuple[int, int]]]:
    """Gain of a spell at another level, the days before and after it at one level; and the spells tried.

    A spell `(first, end)` and both sides of it have `least` days and more. One column of the gains a spell, each model
    at its own likeliest day variance.
    """
    n = len(days)
    spells = [(i, j) for i in range(least, n - 2 * least + 1) for j in range(i + least, n - least + 1)]
    y = series - series.mean(axis=1, keepdims=True)
    inside = np.array([[float(i <= k < j) for k in range(n)] for i, j in spells]).T if spells else np.zeros((n, 0))
    _, weight, height = _grid(days)
    whole_w = weight.sum(axis=1)
    in_w = weight @ inside
    out = []
    for part in np.array_split(y, max(1, len(y) * inside.shape[1] // 2_000_000)):
        best = np.full((len(part), inside.shape[1]), -np.inf)
        constant = np.full(len(part), -np.inf)
        for g in range(len(height)):
            wy = weight[g] * part
            base = height[g] - 0.5 * (wy * part).sum(axis=1)
            whole = wy.sum(axis=1)
            within = wy @ inside
            fitted = within**2 / in_w[g] + (whole[:, None] - within) ** 2 / (whole_w[g] - in_w[g])
            best = np.maximum(best, base[:, None] + 0.5 * fitted)
            constant = np.maximum(constant, base + 0.5 * whole**2 / whole_w[g])
        out.append(best - constant[:, None])
    return np.concatenate(out), spells


def likely_day_sd(days: Days, design: Floats) -> float:
    """Day scatter by restricted likelihood, for a course of the columns of `design` (days x columns)."""
    sd_grid, score = _restricted(days, design)
    return float(sd_grid[int(np.argmax(score))])


def _restricted(days: Days, design: Floats) -> tuple[Floats, Floats]:
    """Day scatters of the grid and the logarithm of their probability, the course taken out."""
    sd_grid, weight, height = _grid(days)
    score = []
    for w, h in zip(weight, height, strict=True):
        normal = design.T @ (w[:, None] * design)
        right = design.T @ (w * days.estimate)
        rss = float(w @ days.estimate**2 - right @ np.linalg.solve(normal, right))
        score.append(h - 0.5 * rss - 0.5 * np.linalg.slogdet(normal)[1])
    return sd_grid, np.array(score)


def fitted_course(days: Days, design: Floats, day_sd: float) -> tuple[Floats, Floats]:
    """Coefficients of `design` and their covariance by generalised least squares."""
    w = 1.0 / (days.sd**2 + day_sd**2)
    covariance = np.linalg.inv(design.T @ (w[:, None] * design))
    return covariance @ (design.T @ (w * days.estimate)), covariance


def simulated(days: Days, design: Floats, count: int, seed: int) -> Floats:
    """Series of days without any change.

    Their day scatter is drawn from what the days say of it once the course of the columns of `design` is taken out: a
    real step must not pass for scatter. Scatter and errors have heavier tails (Student, 5 degrees of freedom) than the
    model has, since some days are odd.
    """
    rng = np.random.default_rng([seed, len(days)])
    sd_grid, score = _restricted(days, design)
    chance = np.exp(score - score.max())
    day_sd = rng.choice(sd_grid, (count, 1), p=chance / chance.sum())
    scatter, error = rng.standard_t(5, (2, count, len(days))) / np.sqrt(5.0 / 3.0)
    return day_sd * scatter + days.sd * error


def _grid(days: Days) -> tuple[Floats, Floats, Floats]:
    """Day scatters of the grid, weights (grid x days), and the part of the log-likelihood without data."""
    sd_grid = days.usual_sd * _GRID
    variance = days.sd[None] ** 2 + sd_grid[:, None] ** 2
    prior = -0.5 * (np.log(_GRID) / PRIOR_LOG_SD) ** 2
    return sd_grid, 1.0 / variance, prior - 0.5 * np.log(variance).sum(axis=1)

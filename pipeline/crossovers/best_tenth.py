"""What the crew reaches in its best tenth: how much faster than expected the boat was, measurement noise taken out.

The fit parts each window's residual into what was real about the day (its effect common to all modes, by mode, its
drift) and the rest: noise of single windows, what neighbouring windows, a stretch, or a set on one day have of their
own, most of it doubt in their wind or their tag. The joint draws here are of the real part alone, given all windows;
the best tenth is the upper decile over the season's windows in each mode. Shrunken means would spread too little and
raw residuals too much; draws have the right spread.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import linalg

from pipeline.angles import Floats
from pipeline.intervals import HALF_90
from pipeline.surfaces import parameters
from pipeline.surfaces.coordinates import MODES, Ints, mode_weights
from pipeline.surfaces.day_blocks import covariance
from pipeline.surfaces.kernels import exponential
from pipeline.surfaces.model import DayData
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.without_day import Basis, day_numbers

BEST_TENTH_SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "bsp_best_tenth_kn": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
}
SHARE = 0.9
TENTH = 1.2815515655446004  # standard normal quantile of 0.9
# What makes the same boat faster at one time than at another.
REAL_VARIATION = ("day_sd", "day_mode_sd", "drift_sd")
# A mode sailed less than this has no best tenth of its own: it is then that of a season of such days.
LEAST_WINDOWS, LEAST_DAYS = 20, 3
DRAWS, SEED = 200, 20240229
JITTER = 1e-6  # of the variance: effects of neighbouring windows are all but equal


@dataclass(frozen=True, slots=True)
class BestTenth:
    """Best tenth over expected speed in log speed by mode (3), and the standard deviation of that (3)."""

    gain: Floats
    sd: Floats

    def at(self, twa_deg: Floats) -> tuple[Floats, Floats]:
        """Both at |TWA| (n): the modes' own, blended between them as the fit blends its day effects."""
        share = mode_weights(twa_deg) ** 2
        return share @ self.gain, np.sqrt(share**2 @ self.sd**2)


def best_tenth_factor(named: Mapping[str, float]) -> float:
    """Speed exceeded in a tenth of the time over expected speed, by the variances that the fit found (normal in log
    speed): what a season of such days would have.
    """
    return float(np.exp(TENTH * np.sqrt(sum(named[name] ** 2 for name in REAL_VARIATION))))


def best_tenth(fit: SeasonFit) -> BestTenth:
    """By mode, from the season's own days where it has enough of them."""
    usual = float(np.log(best_tenth_factor(fit.parameters)))
    gain, sd = np.full(len(MODES), usual), np.full(len(MODES), 0.5 * usual)
    if fit.basis is None:
        return BestTenth(gain, sd)
    seen = fit.basis.seen
    mode, day = mode_weights(seen.twa_deg).argmax(axis=1), day_numbers(seen)
    drawn = _draw_effects(fit.basis)
    for m in range(len(MODES)):
        mine = mode == m
        if mine.sum() >= LEAST_WINDOWS and len(np.unique(day[mine])) >= LEAST_DAYS:
            reached = np.quantile(drawn[:, mine], SHARE, axis=1)
            gain[m], sd[m] = reached.mean(), reached.std()
    return BestTenth(gain, sd)


def best_tenth_surfaces(fit: SeasonFit) -> pl.DataFrame:
    """The table `surfaces_best_tenth` on the fit's grid where a set is supported; `low`, `high` in kn, 90 %.

    The interval holds the doubt in the expected speed and in the best tenth's lead over it.
    """
    if not fit.log_speed.size:
        return pl.DataFrame(schema=BEST_TENTH_SCHEMA)
    gain, gain_sd = best_tenth(fit).at(fit.twa_deg)
    value = fit.log_speed + gain
    half = HALF_90 * np.hypot(fit.log_sd, gain_sd)
    k, i, j = np.nonzero(fit.supported)
    here = fit.supported
    return pl.DataFrame(
        {
            "sail_set": [fit.sets[n] for n in k],
            "tws_kn": fit.tws_kn[i],
            "twa_deg": fit.twa_deg[j],
            "bsp_best_tenth_kn": np.exp(value[here]),
            "low": np.exp((value - half)[here]),
            "high": np.exp((value + half)[here]),
        },
        schema=BEST_TENTH_SCHEMA,
    )


def _draw_effects(basis: Basis) -> Floats:
    """Joint draws (DRAWS, n) of what was real about the day at each window, at the fitted surfaces."""
    theta = parameters.named(basis.posterior.theta)
    out = np.empty((DRAWS, basis.seen.count))
    noise = np.random.default_rng(SEED)
    for day in basis.problem.days:
        rows: Ints = day.block.rows
        mean, cov = _effect(basis, theta, day)
        cov[np.diag_indices_from(cov)] += JITTER * np.diagonal(cov).mean()
        root = linalg.cholesky(cov, lower=True, check_finite=False)
        out[:, rows] = mean + noise.standard_normal((DRAWS, len(rows))) @ root.T
    return out


def _effect(basis: Basis, theta: Mapping[str, float], day: DayData) -> tuple[Floats, Floats]:
    """Posterior mean (n) and covariance (n, n) of one day's effects at its windows, at the fitted surfaces."""
    rows, block = day.block.rows, day.block
    drift, _ = exponential(block.distance_h, theta["drift_hours"])
    real = theta["day_sd"] ** 2 + block.mode * (theta["day_mode_sd"] ** 2 + theta["drift_sd"] ** 2 * drift)
    v, _ = covariance(block, dict(theta), basis.weights.of(rows))
    factor = linalg.cho_factor(v, lower=True, check_finite=False)
    residual = basis.problem.y[rows] - day.x @ basis.posterior.mean[day.columns]
    solved = linalg.cho_solve(factor, np.column_stack([residual, real]), check_finite=False)
    left = real - real @ solved[:, 1:]
    return real @ solved[:, 0], 0.5 * (left + left.T)

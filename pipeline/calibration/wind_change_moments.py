"""When the sails were really changed: the log's stamp, and what the boat's speed says of the minutes around it.

Sail logs are rounded, and written late. A change costs speed while it lasts, so the dip of speed beside what the wind
explains tells the moment better than a stamp of whole minutes. How late this log is kept is read from all its changes
together: a prior over lateness (rounding, an exponential delay, a share of entries minutes late), weighed by marginal
likelihood. The wind itself is not asked, for its jump at the change is what the calibration is estimated from.

Used only to part the calibration's pieces; tags are never changed. Not validated: changes without a dip of speed (the
stamp's prior then stands alone), and dips that belong to something else than the change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.linalg import cho_factor, solve_triangular

from pipeline.angles import Floats
from pipeline.sailing.speed_lag import lagged, usual_lag_s
from pipeline.sailing.track import Track

# Moments tried, relative to the stamp: entries are late by minutes, and early by no more than their rounding.
MOMENTS_S = np.arange(-480.0, 181.0, 6.0)
# Speed is looked at so far beyond them, in steps of this length.
BEYOND_S, STEP_S = 300.0, 6.0
LEAST_STEPS = 30
# Speed beside the wind's: standard deviations (log) of what wanders, with its time scale, and of a step's own noise.
WANDER_SD, WANDER_S, NOISE_SD = 0.02, 40.0, 0.012
# Their size in a change's surroundings leans on that as on so many steps.
USUAL_STEPS = 8.0
# A change's dip: length (standard deviation, s) by the boat's, its usual depth and spread, and spread of the new set's
# speed less the old one's (log). Common practice, no source.
DIP_LENGTHS, DIP_S, DIP_S_PER_M = (0.7, 1.3), 8.0, 0.5
DIP, DIP_SD, LEVEL_SD = 0.08, 0.08, 0.03
# Other things slow a boat, too, and not as a Gaussian process would: the likelihood counts by this power only, chosen
# on known boats so that intervals hold (1: 46 % of the 90 % intervals held, 0.2: 95 %).
TEMPER = 0.2
# Speed is disturbed by a turn until so long after it.
BEFORE_TURN_S, AFTER_TURN_S = 8.0, 35.0
# A stamp is rounded to the longest of these steps that most stamps are multiples of.
ROUNDINGS_S, MOST_ROUND = (60.0, 30.0, 15.0, 10.0, 5.0, 1.0), 0.6
# Lateness tried: mean of the delay, and share of the entries that may be anywhere.
DELAYS_S, ANYWHERE = (3.0, 10.0, 20.0, 40.0, 80.0), (0.02, 0.08, 0.16)
EARLY_ODDS = 0.15
TAIL = 0.05

# Columns of the wind's answer shorter than this share of the longest are none: the wind did not change.
_LEAST_LENGTH = 1e-6
_US = 1e6


@dataclass(frozen=True, slots=True)
class Moments:
    """For each change of set the moment's median and 90 % interval, in seconds since 1970."""

    moment_s: Floats
    first_s: Floats
    last_s: Floats


def change_moments(track: Track, manoeuvres: pl.DataFrame, stamps_s: Floats, loa_m: float) -> Moments:
    """Most likely moments of the changes stamped `stamps_s` (ascending), no further off than their neighbours."""
    if len(stamps_s) == 0:
        return Moments(*(np.zeros(0) for _ in range(3)))
    said = TEMPER * _log_likelihoods(track, manoeuvres, stamps_s, loa_m)
    said = said + np.where(_between_neighbours(stamps_s), 0.0, -np.inf)
    priors = _priors(_rounding_s(stamps_s))
    likelihood = np.exp(said - said.max(axis=1, keepdims=True))
    season = np.log(likelihood @ priors.T).sum(axis=0)
    weight = np.exp(season - season.max())
    posterior = likelihood * (weight @ priors)
    below = np.cumsum(posterior / posterior.sum(axis=1, keepdims=True), axis=1)
    first, middle, last = (MOMENTS_S[np.argmax(below >= q, axis=1)] for q in (TAIL, 0.5, 1.0 - TAIL))
    return Moments(stamps_s + middle, stamps_s + first, stamps_s + last)


def _between_neighbours(stamps_s: Floats) -> np.ndarray:
    """Moments (changes, moments) nearer to their own stamp's side: after the stamp before, before the stamp after."""
    at = stamps_s[:, None] + MOMENTS_S
    before = np.concatenate(([-np.inf], stamps_s[:-1]))[:, None]
    after = np.concatenate((stamps_s[1:], [np.inf]))[:, None]
    return ((at > before) & (at < after)) | (MOMENTS_S == 0.0)


def _rounding_s(stamps_s: Floats) -> float:
    return next((r for r in ROUNDINGS_S if np.mean(stamps_s % r == 0.0) >= MOST_ROUND), ROUNDINGS_S[-1])


def _priors(rounding_s: float) -> Floats:
    """Chance of each moment, one row a kind of lateness."""
    step = MOMENTS_S[1] - MOMENTS_S[0]
    rounded = np.clip((0.5 * rounding_s + step - np.abs(MOMENTS_S)) / step, 0.0, 1.0)
    anywhere = np.where(MOMENTS_S <= 0.0, 1.0, EARLY_ODDS)
    rows = []
    for mean in DELAYS_S:
        late = np.exp(-np.arange(0.0, -MOMENTS_S[0] + 1.0, step) / mean)
        kept = sum(w * _earlier(rounded, k) for k, w in enumerate(late))
        rows += [(1.0 - a) * kept / kept.sum() + a * anywhere / anywhere.sum() for a in ANYWHERE]
    return np.array(rows)


def _earlier(values: Floats, steps: int) -> Floats:
    return np.concatenate((values[steps:], np.zeros(steps)))


def _log_likelihoods(track: Track, manoeuvres: pl.DataFrame, stamps_s: Floats, loa_m: float) -> Floats:
    """Log Bayes factors (changes, moments) of a change there against none; 0 where there is too little to go by."""
    grid = np.arange(MOMENTS_S[0] - BEYOND_S, MOMENTS_S[-1] + BEYOND_S + 1.0, STEP_S)
    apart = np.abs(grid[:, None] - grid[None, :])
    covariance = WANDER_SD**2 * np.exp(-apart / WANDER_S) + NOISE_SD**2 * np.eye(len(grid))
    lag_s = usual_lag_s(loa_m)
    marks = [_marks(grid, lag_s, length * (DIP_S + DIP_S_PER_M * loa_m)) for length in DIP_LENGTHS]
    speed = np.log(np.maximum(track.bsp_kn, 0.3))
    wind = np.log(np.maximum(lagged(track.tws_kn, track.step_s, lag_s), 0.3))
    columns = np.column_stack((speed, wind, np.abs(track.twa_deg)))
    still = _undisturbed(track, manoeuvres)
    out = np.zeros((len(stamps_s), len(MOMENTS_S)))
    before = np.concatenate(([-np.inf], stamps_s[:-1])) - stamps_s
    after = np.concatenate((stamps_s[1:], [np.inf])) - stamps_s
    for k, stamp in enumerate(stamps_s):
        means = _binned(track.time_s - stamp, columns, still, grid)
        known = np.isfinite(means).all(axis=1) & (grid > before[k]) & (grid < after[k])
        if known.sum() >= LEAST_STEPS:
            here = covariance[np.ix_(known, known)]
            factors = [_bayes_factors(means[known], grid[known], m[:, known], here) for m in marks]
            out[k] = np.logaddexp.reduce(factors, axis=0) - np.log(len(factors))
    return out


def _undisturbed(track: Track, manoeuvres: pl.DataFrame) -> np.ndarray:
    starts = manoeuvres["start"].to_physical().to_numpy() / _US - BEFORE_TURN_S
    ends = manoeuvres["turn_end"].to_physical().to_numpy() / _US + AFTER_TURN_S
    running = np.searchsorted(np.sort(starts), track.time_s, side="right")
    return running == np.searchsorted(np.sort(ends), track.time_s, side="right")


def _binned(time_s: Floats, columns: Floats, use: np.ndarray, grid: Floats) -> Floats:
    """Means of the columns in steps about `grid` (ascending, even), NaN where a step has no sample."""
    first, last = np.searchsorted(time_s, (grid[0] - 0.5 * STEP_S, grid[-1] + 0.5 * STEP_S))
    at = np.floor((time_s[first:last] - grid[0]) / STEP_S + 0.5).astype(np.int64)
    good = use[first:last] & np.isfinite(columns[first:last]).all(axis=1) & (at >= 0) & (at < len(grid))
    count = np.bincount(at[good], minlength=len(grid))
    sums = [np.bincount(at[good], columns[first:last][good, j], minlength=len(grid)) for j in range(columns.shape[1])]
    return np.where(count[:, None] > 0, np.column_stack(sums) / np.maximum(count, 1)[:, None], np.nan)


def _marks(grid: Floats, lag_s: float, length_s: float) -> Floats:
    """What a change leaves in log speed (moments, steps, 2): a dip of depth 1 and a step of height 1, lagged."""
    since = grid[None, :] - MOMENTS_S[:, None]
    dip = -np.exp(-0.5 * (since / length_s) ** 2)
    step = (since > 0.0).astype(float) - 0.5
    shapes = [[lagged(row, STEP_S, lag_s) for row in shape] for shape in (dip, step)]
    return np.stack([np.array(s) for s in shapes], axis=2)


def _bayes_factors(means: Floats, grid: Floats, marks: Floats, covariance: Floats) -> Floats:
    """Log Bayes factor by moment; speed's answer to wind and angle fitted freely, the noise's size nearly so."""
    speed, wind, angle = means.T
    bend = (angle - 90.0) / 40.0
    wind = wind - wind.mean()
    plain = np.column_stack((np.ones(len(grid)), grid / BEYOND_S, wind, bend, bend**2, wind * bend))
    count, steps, kinds = marks.shape
    factor = cho_factor(covariance, lower=True)[0]
    everything = np.column_stack((plain, speed, np.moveaxis(marks, 0, 1).reshape(steps, -1)))
    white = solve_triangular(factor, everything, lower=True, check_finite=False)
    basis, length, _ = np.linalg.svd(white[:, : plain.shape[1]], full_matrices=False)
    basis = basis[:, length > _LEAST_LENGTH * length[0]]
    rest = white[:, plain.shape[1] :]
    rest = rest - basis @ (basis.T @ rest)
    y, x = rest[:, 0], rest[:, 1:].reshape(steps, count, kinds)
    free = steps - basis.shape[1]
    size = (USUAL_STEPS + float(y @ y)) / (USUAL_STEPS + free)
    prior = np.diag(np.array([DIP_SD, LEVEL_SD]) ** -2.0)
    usual = np.array([DIP, 0.0])
    precision = np.einsum("nti,ntj->tij", x, x) / size + prior
    weighed = np.einsum("nti,n->ti", x, y) / size + prior @ usual
    mean = np.linalg.solve(precision, weighed[..., None])[..., 0]
    fit = 0.5 * np.einsum("ti,ti->t", weighed, mean) - 0.5 * float(usual @ prior @ usual)
    return fit - 0.5 * np.linalg.slogdet(precision)[1] + 0.5 * float(np.linalg.slogdet(prior)[1])

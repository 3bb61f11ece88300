"""The wind behind the measured wind: its error flattens every slope unless it is allowed for.

The mean wind of a window is measured with error (one sensor at the masthead, turbulence, shear). Along a stretch of
neighbouring windows the true wind changes smoothly and the error does not, so a smoother splits each window's measured
value into a smooth part and a jump. How much of the jump was wind that the boat felt is left to the speeds: the fit
uses smooth + share x jump, and estimates the share (regression calibration; Carroll, Ruppert, Stefanski & Crainiceanu,
Measurement Error in Nonlinear Models, 2nd ed. 2006, chapter 4; from memory). An error that lasts for a whole stretch
cannot be seen this way and remains.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.surfaces.coordinates import Floats, Ints, wind_coordinate
from pipeline.surfaces.observations import Observations

# Windows belong to one stretch while set, tack and session stay, no pause is longer and no turn wider than this.
STRETCH_PAUSE_H = 4.0 / 60.0
STRETCH_TURN_DEG = 15.0
STRETCH_WINDOWS = 60
# Candidates for the memory of the wind and for the share of the error in the variance about a stretch's mean.
MEMORY_H = np.array([1.0, 2.0, 4.0, 8.0, 16.0]) / 60.0
# Stretches that the search among the candidates looks at, evenly chosen; two parameters need no more.
SEARCH_STRETCHES = 300
SHARES = np.array([0.01, 0.03, 0.06, 0.12, 0.2, 0.3, 0.45, 0.6, 0.8])


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Smooth part, jump, and variance of the smooth part about the truth, of one series (n,)."""

    smooth: Floats
    jump: Floats
    variance: Floats
    error_sd: float


@dataclass(frozen=True, slots=True)
class LatentWind:
    """The wind coordinate (square root of TWS) and |TWA| in degrees, each split."""

    wind: Smoothed
    angle: Smoothed


def number_stretches(seen: Observations) -> Ints:
    """Number of the stretch of each window."""
    if seen.count == 0:
        return np.zeros(0, dtype=np.int64)
    breaks = (
        (np.diff(seen.hours) > STRETCH_PAUSE_H)
        | (np.diff(np.abs(seen.twa_deg)) > STRETCH_TURN_DEG)
        | (np.diff(np.abs(seen.twa_deg)) < -STRETCH_TURN_DEG)
        | (np.diff(np.sign(seen.twa_deg)) != 0)
        | (np.diff(seen.set_number) != 0)
        | (np.diff(seen.session) != 0)
    )
    stretch = np.concatenate([[0], np.cumsum(breaks)])
    _, first, count = np.unique(stretch, return_index=True, return_counts=True)
    place = np.arange(seen.count) - first[stretch]
    pieces = -(-count // STRETCH_WINDOWS)
    part = place * pieces[stretch] // count[stretch]
    return np.unique(stretch * (count.max() + 1) + part, return_inverse=True)[1].astype(np.int64)


def split_wind(seen: Observations) -> LatentWind:
    """Split the wind of every window."""
    stretch = number_stretches(seen)
    rows = [np.flatnonzero(stretch == k) for k in range(stretch.max(initial=-1) + 1)]
    return LatentWind(
        smooth_series(wind_coordinate(seen.tws_kn), seen.hours, rows),
        smooth_series(np.abs(seen.twa_deg), seen.hours, rows),
    )


def smooth_series(value: Floats, hours: Floats, stretches: list[Ints]) -> Smoothed:
    """Smooth `value` along each stretch: unknown mean + exponential covariance + white error."""
    long = [r for r in stretches if len(r) >= 3]
    smooth, variance = value.copy(), np.zeros_like(value)
    if sum(len(r) - 1 for r in long) < 20:
        return Smoothed(smooth, np.zeros_like(value), variance, 0.0)
    chosen = long[:: -(-len(long) // SEARCH_STRETCHES)]
    best = (np.inf, MEMORY_H[0], SHARES[0], 0.0)
    for memory in MEMORY_H:
        for share in SHARES:
            likelihood, scale = _profile(value, hours, chosen, memory, share)
            if likelihood < best[0]:
                best = (likelihood, memory, share, scale)
    _, memory, share, scale = best
    for r in stretches:
        if len(r) < 2:
            variance[r] = share * scale
            continue
        k = (1.0 - share) * np.exp(-np.abs(hours[r][:, None] - hours[r][None, :]) / memory)
        inverse = np.linalg.inv(k + share * np.eye(len(r)))
        ones = inverse.sum(axis=1)
        # P = V^-1 - V^-1 1 (1'V^-1 1)^-1 1'V^-1: the error's BLUP is share * P y, its covariance share I - share^2 P.
        p = inverse - np.outer(ones, ones) / ones.sum()
        smooth[r] = value[r] - share * (p @ value[r])
        variance[r] = scale * np.maximum(share - share**2 * np.diagonal(p), 0.0)
    return Smoothed(smooth, value - smooth, variance, float(np.sqrt(share * scale)))


def _profile(value: Floats, hours: Floats, stretches: list[Ints], memory: float, share: float) -> tuple[float, float]:
    """Minus twice the restricted log likelihood with the scale profiled out, and the scale."""
    logs, quad, degrees = 0.0, 0.0, 0
    for r in stretches:
        h = hours[r]
        v = (1.0 - share) * np.exp(-np.abs(h[:, None] - h[None, :]) / memory)
        v[np.diag_indices_from(v)] += share
        chol = np.linalg.cholesky(v)
        z = np.linalg.solve(chol, np.column_stack([value[r], np.ones(len(r))]))
        one = z[:, 1] @ z[:, 1]
        quad += z[:, 0] @ z[:, 0] - (z[:, 0] @ z[:, 1]) ** 2 / one
        logs += 2.0 * np.log(np.diagonal(chol)).sum() + np.log(one)
        degrees += len(r) - 1
    scale = max(quad / degrees, 1e-300)
    return logs + degrees * np.log(scale), scale

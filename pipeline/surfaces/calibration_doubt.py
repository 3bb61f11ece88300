"""What doubt in each set's upwash and AWS factor does to its surface: the wind that its windows were put at is shifted.

If a set's true upwash is larger than the one in use, all its windows stand at a wrong true wind: the surface found at
(TWS, TWA) belongs to a place a little further on. To first order log speed changes by minus its slope times that shift.
Sets in front of the mast differ in upwash, so this does not cancel between them. Approximation: the shift is that of
the expected speed's own wind triangle at the reference height, without leeway and heel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.surfaces.coordinates import Floats
from pipeline.wind.apparent import without_upwash
from pipeline.wind.triangle import apparent_from_true, true_from_apparent

STEP_DEG, STEP_FACTOR = 0.5, 0.01  # of the differences taken


@dataclass(frozen=True, slots=True)
class CalibrationDoubt:
    """How far the calibration in use may be off for each set.

    `covariance` (2k, 2k) of the departures of `sets` (k) from what is in use: first all upwash in deg, then all AWS
    factors. Sets that are not named are taken as certain.
    """

    sets: tuple[str, ...]
    covariance: Floats


def log_speed_shifts(
    doubt: CalibrationDoubt,
    sets: tuple[str, ...],
    tws_kn: Floats,
    twa_deg: Floats,
    log_speed: Floats,
    n: int,
    seed: int,
) -> Floats:
    """Draws (n, sets, tws, twa) of what calibration doubt adds to `log_speed` (sets, tws, twa), 0 where that is NaN."""
    count = len(doubt.sets)
    value, vector = np.linalg.eigh(doubt.covariance)
    noise = np.random.default_rng([seed, 2]).standard_normal((n, 2 * count))
    off = noise @ (vector * np.sqrt(np.maximum(value, 0.0))).T
    out = np.zeros((n, *log_speed.shape))
    for k, name in enumerate(sets):
        if name in doubt.sets:
            j = doubt.sets.index(name)
            by_upwash, by_factor = _responses(tws_kn, twa_deg, log_speed[k])
            out[:, k] = off[:, j, None, None] * by_upwash + off[:, count + j, None, None] * by_factor
    return out


def _responses(tws_kn: Floats, twa_deg: Floats, log_speed: Floats) -> tuple[Floats, Floats]:
    """Change of log speed (tws, twa) a degree of upwash, and a unit of AWS factor, beyond those in use."""
    tws, twa = np.meshgrid(tws_kn, twa_deg, indexing="ij")
    slope_tws, slope_twa = _slope(log_speed, tws_kn, 0), _slope(log_speed, twa_deg, 1)
    speed = np.exp(log_speed)
    awa, aws = apparent_from_true(twa, tws, speed)
    moved = (
        (true_from_apparent(without_upwash(awa, STEP_DEG), aws, speed), STEP_DEG),
        (true_from_apparent(awa, aws * (1.0 + STEP_FACTOR), speed), STEP_FACTOR),
    )
    out = []
    for (new_twa, new_tws), step in moved:
        change = -(slope_tws * (new_tws - tws) + slope_twa * (np.abs(new_twa) - twa)) / step
        out.append(np.where(np.isfinite(change), change, 0.0))
    return out[0], out[1]


def _slope(values: Floats, at: Floats, axis: int) -> Floats:
    """Slope along an axis; one-sided next to NaN, 0 where there is no neighbour."""
    v = np.moveaxis(values, axis, 0)
    if len(at) < 2:
        return np.zeros_like(values)
    step = np.diff(v, axis=0) / np.diff(at)[:, None]
    gap = np.full((1, v.shape[1]), np.nan)
    below, above = np.concatenate([gap, step]), np.concatenate([step, gap])
    known = np.isfinite(below).astype(float) + np.isfinite(above)
    total = np.nan_to_num(below) + np.nan_to_num(above)
    return np.moveaxis(np.where(known > 0, total / np.maximum(known, 1.0), 0.0), 0, axis)

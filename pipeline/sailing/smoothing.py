"""Moving averages along a track, by stretch, missing values passed over."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.angles import Floats, wrap_180
from pipeline.sailing.stretches import Ints, runs

_AT_ONCE = 1 << 16


def moving_mean(values: Floats, count: int, stretch: Ints) -> Floats:
    """Centred mean over `count` samples (made odd) within each stretch; NaN where less than half of them are known."""
    half = count // 2
    n = len(values)
    if n == 0 or half == 0:
        return values.copy()
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    number = np.concatenate(([0], np.cumsum(known)))
    begins, ends = runs(np.ones(n, dtype=bool), stretch)
    first, last = np.repeat(begins, ends - begins), np.repeat(ends, ends - begins)
    a = np.maximum(np.arange(n) - half, first)
    b = np.minimum(np.arange(n) + half + 1, last)
    seen = number[b] - number[a]
    mean = (total[b] - total[a]) / np.maximum(seen, 1)
    return np.where(2 * seen >= b - a, mean, np.nan)


def moving_angle(angle_deg: Floats, count: int, stretch: Ints) -> Floats:
    """The same for angles: direction of the mean unit vector, in [-180, 180)."""
    rad = np.radians(angle_deg)
    c, s = moving_mean(np.cos(rad), count, stretch), moving_mean(np.sin(rad), count, stretch)
    return wrap_180(np.degrees(np.arctan2(s, c)))


def moving_median(values: Floats, count: int) -> Floats:
    """Centred median over `count` samples (made odd); missing values are first bridged from the value before."""
    known = np.isfinite(values)
    if not known.any():
        return values.copy()
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    held = values[np.where(at >= 0, at, np.flatnonzero(known)[0])]
    half = count // 2
    around = sliding_window_view(np.pad(held, half, mode="edge"), 2 * half + 1)
    # In parts, for every value is copied once for each of its windows.
    parts = [np.partition(around[a : a + _AT_ONCE], half, axis=1)[:, half] for a in range(0, len(values), _AT_ONCE)]
    return np.concatenate(parts)

"""How far the boat's speed lags behind the wind, from the season itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipeline.angles import Floats
from pipeline.sailing.track import Track

# A boat answers like a first-order lag of some seconds a metre: mass over damping grows with length. Common practice.
USUAL_PER_M_S, USUAL_LEAST_S, USUAL_MOST_S = 1.2, 5.0, 40.0
# What is looked for, as multiples of the usual value.
TRIED = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)
BLOCK_S = 240.0
LEAST_BLOCKS = 12
# Log likelihood a sample that the better lag must gain on the usual one (samples hang together, so more than chance).
LEAST_GAIN = 0.002


@dataclass(frozen=True, slots=True)
class SpeedLag:
    """`lag_s`: time constant of the speed's answer to the wind; `why`: where the figure comes from."""

    lag_s: float
    why: str


def usual_lag_s(loa_m: float) -> float:
    """Lag to be expected from the length alone, in seconds."""
    return float(np.clip(USUAL_PER_M_S * loa_m, USUAL_LEAST_S, USUAL_MOST_S))


def estimate_lag(track: Track, blocks: Sequence[tuple[int, int]], loa_m: float) -> SpeedLag:
    """Lag that best explains the speed by the wind before it, pooled over blocks of undisturbed sailing.

    `blocks` are index ranges of the track within one set and tack, without manoeuvres. In pieces of four minutes the
    speed is regressed on wind speed and angle passed through a first-order lag, beside a trend and the wind of the
    moment (an error in measured speed enters the computed wind at once and would pass for no lag at all). The lag with
    the least unexplained speed over all pieces is taken, if clearly better than the usual one for the length.
    """
    usual_s = usual_lag_s(loa_m)
    pieces = _pieces(track, blocks)
    if len(pieces) < LEAST_BLOCKS:
        return SpeedLag(usual_s, f"usual for {loa_m:g} m: too few long steady stretches to measure it")
    tried = [usual_s * f for f in TRIED]
    left = np.array([sum(_unexplained(track, a, b, lag) for a, b in pieces) for lag in tried])
    usual_left = left[TRIED.index(1.0)]
    best = int(np.argmin(left))
    gain = (usual_left - left[best]) / max(abs(usual_left), 1e-12)
    n = sum(b - a for a, b in pieces)
    if not np.isfinite(gain) or (usual_left - left[best]) < LEAST_GAIN * n:
        return SpeedLag(usual_s, f"usual for {loa_m:g} m: the data of {len(pieces)} stretches do not contradict it")
    return SpeedLag(tried[best], f"measured: explains the speed best in {len(pieces)} stretches")


def lagged(values: Floats, step_s: float, lag_s: float) -> Floats:
    """`values` through a first-order lag: weights falling by e in `lag_s` backwards, summing to one from the start.

    Missing values are passed over. NaN only before the first known value.
    """
    known = np.isfinite(values)
    if lag_s <= 0.0:
        return values.copy()
    keep = float(np.exp(-step_s / lag_s))
    total = lfilter([1.0], [1.0, -keep], np.where(known, values, 0.0))
    weight = lfilter([1.0], [1.0, -keep], known.astype(float))
    return np.where(weight > 1e-12, total / np.maximum(weight, 1e-12), np.nan)


def _pieces(track: Track, blocks: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    length = track.count(BLOCK_S)
    pieces = []
    for a, b in blocks:
        for i in range(a, b - length + 1, length):
            part = slice(i, i + length)
            known = np.isfinite(track.bsp_kn[part]) & np.isfinite(track.tws_kn[part])
            if known.mean() > 0.9 and length >= 30:
                pieces.append((i, i + length))
    return pieces


def _unexplained(track: Track, a: int, b: int, lag_s: float) -> float:
    y, tws, twa = track.bsp_kn[a:b], track.tws_kn[a:b], np.unwrap(track.twa_deg[a:b], period=360.0)
    known = np.isfinite(y) & np.isfinite(tws) & np.isfinite(twa)
    step = track.step_s
    ramp = np.arange(b - a) / (b - a) - 0.5
    x = np.column_stack((np.ones(b - a), ramp, tws, twa, lagged(tws, step, lag_s), lagged(twa, step, lag_s)))
    known[: (b - a) // 4] = False  # the lagged wind is not yet independent of where the piece begins
    x, y = x[known], y[known]
    if len(y) < 20:
        return 0.0
    x = x - np.concatenate(([0.0], x[:, 1:].mean(axis=0)))
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return len(y) * float(np.log(max(float(rest @ rest) / len(y), 1e-8)))

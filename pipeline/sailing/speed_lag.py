"""How far the boat's speed lags behind the wind, from the season itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.sailing.stretches import Ints
from pipeline.sailing.track import Track

# A boat answers like a first-order lag of some seconds a metre: mass over damping grows with length. Common practice.
USUAL_PER_M_S, USUAL_LEAST_S, USUAL_MOST_S = 1.2, 5.0, 40.0
# What is looked for, as multiples of the usual value.
TRIED = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)
BLOCK_S = 240.0
LEAST_BLOCKS = 12
# Log likelihood a sample that the better lag must gain on the usual one (samples hang together, so more than chance).
LEAST_GAIN = 0.002
LEAST_SAMPLES = 30
_FORGOTTEN = 1e-20
# A column that hardly moves, or goes with the others, explains nothing of its own.
_NO_SPREAD, _DEPENDENT = 1e-9, 1e-10


@dataclass(frozen=True, slots=True)
class SpeedLag:
    """`lag_s`: time constant of the speed's answer to the wind; `why`: where the figure comes from."""

    lag_s: float
    why: str


def usual_lag_s(loa_m: float) -> float:
    """Lag to be expected from the length alone, in seconds."""
    return float(np.clip(USUAL_PER_M_S * loa_m, USUAL_LEAST_S, USUAL_MOST_S))


@dataclass(frozen=True, slots=True)
class LagEvidence:
    """What part of a season says of the lag: `left`, the log of the unexplained speed times samples for each of
    `TRIED`; the `pieces` of four minutes behind it, and their `samples`.
    """

    left: tuple[float, ...] = (0.0,) * len(TRIED)
    pieces: int = 0
    samples: int = 0


def estimate_lag(track: Track, blocks: Sequence[tuple[int, int]], loa_m: float) -> SpeedLag:
    """Lag that best explains the speed by the wind before it, pooled over blocks of undisturbed sailing.

    `blocks` are index ranges of the track within one set and tack, without manoeuvres.
    """
    return settled_lag([lag_evidence(track, blocks, loa_m)], loa_m)


def lag_evidence(track: Track, blocks: Sequence[tuple[int, int]], loa_m: float) -> LagEvidence:
    """What blocks of undisturbed sailing say of the lag.

    In pieces of four minutes the speed is regressed on wind speed and angle passed through a first-order lag, beside a
    trend and the wind of the moment (an error in measured speed enters the computed wind at once and would pass for no
    lag at all).
    """
    first = _pieces(track, blocks)
    if not first.size:
        return LagEvidence()
    at = first[:, None] + np.arange(track.count(BLOCK_S))
    y, tws = track.bsp_kn[at], track.tws_kn[at]
    twa = np.unwrap(track.twa_deg[at], period=360.0, axis=1)
    tried = [usual_lag_s(loa_m) * f for f in TRIED]
    left = [float(row.sum()) for row in _unexplained(y, tws, twa, track.step_s, tried)]
    return LagEvidence(tuple(left), len(first), at.size)


def settled_lag(evidence: Iterable[LagEvidence], loa_m: float) -> SpeedLag:
    """The lag with the least unexplained speed over all the evidence, if clearly better than the usual one."""
    parts = list(evidence)
    usual_s = usual_lag_s(loa_m)
    pieces, n = sum(e.pieces for e in parts), sum(e.samples for e in parts)
    if pieces < LEAST_BLOCKS:
        return SpeedLag(usual_s, f"usual for {loa_m:g} m: too few long steady stretches to measure it")
    left = np.sum([e.left for e in parts], axis=0)
    best = int(np.argmin(left))
    gain = left[TRIED.index(1.0)] - left[best]
    if not np.isfinite(gain) or gain < LEAST_GAIN * n:
        return SpeedLag(usual_s, f"usual for {loa_m:g} m: the data of {pieces} stretches do not contradict it")
    return SpeedLag(usual_s * TRIED[best], f"measured: explains the speed best in {pieces} stretches")


def lagged(values: Floats, step_s: float, lag_s: float) -> Floats:
    """`values` through a first-order lag along the last axis: weights falling by e in `lag_s` backwards, summing to one
    from the start.

    Missing values are passed over. NaN only before the first known value.
    """
    if lag_s <= 0.0:
        return values.copy()
    known = np.isfinite(values)
    keep = float(np.exp(-step_s / lag_s))
    if known.all():
        return _remembered(values, keep) / _remembered(np.ones(values.shape[-1]), keep)
    return _weighted(_remembered(np.where(known, values, 0.0), keep), _remembered(known.astype(float), keep))


def lagged_in_blocks(values: Floats, blocks: Sequence[tuple[int, int]], step_s: float, lag_s: float) -> Floats:
    """`lagged` within each of the index ranges, to the last digit; NaN outside."""
    since = np.full(values.shape[-1], -1, dtype=np.int64)
    for a, b in blocks:
        since[a:b] = np.arange(b - a)
    known = np.isfinite(values) & (since >= 0)
    longest = int(since.max(initial=-1)) + 1
    if lag_s <= 0.0 or longest == 0:
        return np.where(known, values, np.nan)
    keep = float(np.exp(-step_s / lag_s))
    total = _remembered(np.where(known, values, 0.0), keep, since)
    if (known == (since >= 0)).all():
        weight = _remembered(np.ones(longest), keep)[np.maximum(since, 0)]
        return np.where(since >= 0, total / weight, np.nan)
    return _weighted(total, _remembered(known.astype(float), keep, since))


def _weighted(total: Floats, weight: Floats) -> Floats:
    return np.where(weight > 1e-12, total / np.maximum(weight, 1e-12), np.nan)


def _remembered(values: Floats, keep: float, since: Ints | None = None) -> Floats:
    """y[i] = keep y[i-1] + x[i] along the last axis, by doubling the span summed until what is older is forgotten.

    `since`: how many values before each are remembered at most, -1 for those that count for nothing.
    """
    out = values.copy()
    span, share = 1, keep
    most = out.shape[-1] if since is None else int(since.max()) + 1
    while span < most and share > _FORGOTTEN:
        older = share * out[..., :-span]
        if since is not None:
            older *= since[span:] >= span
        out[..., span:] += older
        span, share = 2 * span, share * share
    return out


def _pieces(track: Track, blocks: Sequence[tuple[int, int]]) -> Ints:
    """First samples of the pieces in which speed and wind are nearly always known."""
    length = track.count(BLOCK_S)
    if length < LEAST_SAMPLES:
        return np.zeros(0, dtype=np.int64)
    parts = [np.arange(a, b - length + 1, length) for a, b in blocks]
    first = np.concatenate(parts).astype(np.int64) if parts else np.zeros(0, dtype=np.int64)
    known = np.concatenate(([0], np.cumsum(np.isfinite(track.bsp_kn) & np.isfinite(track.tws_kn))))
    return first[known[first + length] - known[first] > 0.9 * length]


def _unexplained(y: Floats, tws: Floats, twa: Floats, step_s: float, lags_s: Sequence[float]) -> Floats:
    """For each lag and piece the log of the mean square of the speed that is left, times the samples.

    Speed and wind by (pieces, samples).
    """
    length = y.shape[1]
    known = np.isfinite(y) & np.isfinite(tws) & np.isfinite(twa)
    known[:, : length // 4] = False  # the lagged wind is not yet independent of where the piece begins
    count = known.sum(axis=1)

    def about_the_mean(values: Floats) -> Floats:
        x = np.where(known, values, 0.0)
        x -= (x.sum(axis=-1) / np.maximum(count, 1))[..., None] * known
        return x

    ramp = np.broadcast_to(np.arange(length) / length - 0.5, y.shape)
    wind = np.stack((tws, twa))
    passed = np.stack([lagged(wind, step_s, lag_s) for lag_s in lags_s])
    columns = np.empty((len(lags_s), len(y), 6, length))
    for place, values in enumerate((ramp, tws, twa, passed[:, 0], passed[:, 1], y)):
        columns[:, :, place] = about_the_mean(values)
    return _left(columns, count)


def _left(columns: Floats, count: Ints) -> Floats:
    """What the last of the columns (lags, pieces, columns, samples) has beyond the others."""
    moments = columns @ columns.swapaxes(-1, -2)
    scale = np.sqrt(np.diagonal(moments, axis1=-2, axis2=-1))
    scale = np.where(scale > _NO_SPREAD, scale, np.inf)
    gram = moments / (scale[..., :, None] * scale[..., None, :])
    value, vector = np.linalg.eigh(gram[..., :-1, :-1])
    along = (vector.swapaxes(-1, -2) @ gram[..., :-1, -1:])[..., 0]
    explained = np.where(value > _DEPENDENT, along**2 / np.where(value > _DEPENDENT, value, 1.0), 0.0).sum(axis=-1)
    square = moments[..., -1, -1] * np.clip(1.0 - explained, 0.0, 1.0) / np.maximum(count, 1)
    return np.where(count >= 20, count * np.log(np.maximum(square, 1e-8)), 0.0)

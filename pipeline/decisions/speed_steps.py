"""A season's speed in steps of 10 s against every set's surface, and what its noise is like."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import AsSailed, Ints
from pipeline.decisions.surface_lookup import look_up, places_of
from pipeline.sailing.speed_lag import estimate_lag, lagged
from pipeline.sailing.times import seconds
from pipeline.surfaces.season import SeasonFit

STEP_S = 10.0
# Sailing so far from a change is clear of it.
CLEAR_S = 180.0


@dataclass(frozen=True, slots=True)
class Steps:
    """The season in steps of 10 s: middle time (s), log speed less each set's (sets, n); `usable`: no manoeuvre."""

    time_s: Floats
    off: Floats
    set_number: Ints
    session: Ints
    usable: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Noise:
    """Of a step about its level: standard deviation, and correlation of neighbouring steps."""

    sd: float
    correlation: float


def measured_lag_s(sailed: AsSailed, changes_s: Floats, loa_m: float) -> float:
    """The lag of the boat's speed, from sailing clear of manoeuvres and changes, as the windows have it."""
    track = sailed.track
    near = np.searchsorted(changes_s, track.time_s)
    nearest = np.minimum(
        np.abs(track.time_s - changes_s[np.maximum(near - 1, 0)]),
        np.abs(track.time_s - changes_s[np.minimum(near, len(changes_s) - 1)]),
    )
    free = ~_busy(sailed) & (nearest > CLEAR_S) & np.isfinite(track.bsp_kn) & np.isfinite(track.tws_kn)
    edge = np.ones(len(track) + 1, dtype=bool)
    edge[1:-1] = False
    for state in (free, track.stretch, sailed.segment, np.sign(track.twa_deg)):
        edge[1:-1] |= state[1:] != state[:-1]
    bounds = np.flatnonzero(edge)
    blocks = [(int(i), int(j)) for i, j in pairwise(bounds) if free[i]]
    return estimate_lag(track, blocks, loa_m).lag_s


def _busy(sailed: AsSailed) -> NDArray[np.bool_]:
    """In a manoeuvre or its build-up."""
    time_s, busy = sailed.track.time_s, sailed.turning.copy()
    for first, last in zip(seconds(sailed.manoeuvres["start"]), seconds(sailed.manoeuvres["end"]), strict=True):
        busy[np.searchsorted(time_s, first) : np.searchsorted(time_s, last, side="right")] = True
    return busy


def steps_of(sailed: AsSailed, fit: SeasonFit, lag_s: float) -> Steps:
    """Means over 10 s; wind through the boat's lag, as the windows have it."""
    track = sailed.track
    wind, angle = _lagged_wind(sailed, lag_s)
    expected = look_up(fit.log_speed, places_of(fit, wind, angle))
    with np.errstate(invalid="ignore", divide="ignore"):
        off = np.log(np.maximum(track.bsp_kn, 0.1)) - expected
    busy = _busy(sailed)
    step = np.floor(track.time_s / STEP_S).astype(np.int64)
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(step) != 0) | (np.diff(track.stretch) != 0)]))
    count = np.diff(np.append(starts, len(track)))
    mean = np.add.reduceat(off, starts, axis=1) / count
    spoilt = np.add.reduceat((busy | ~np.isfinite(track.bsp_kn)).astype(np.int64), starts) > 0
    middle = np.add.reduceat(track.time_s, starts) / count
    return Steps(middle, mean, sailed.set_number[starts], track.stretch[starts], ~spoilt)


def _lagged_wind(sailed: AsSailed, lag_s: float) -> tuple[Floats, Floats]:
    track = sailed.track
    wind, angle = np.full(len(track), np.nan), np.full(len(track), np.nan)
    for number in np.unique(track.stretch):
        rows = np.flatnonzero(track.stretch == number)
        known = rows[np.isfinite(track.tws_kn[rows]) & np.isfinite(track.twa_deg[rows])]
        if known.size:
            wind[known] = lagged(track.tws_kn[known], track.step_s, lag_s)
            angle[known] = lagged(np.abs(track.twa_deg[known]), track.step_s, lag_s)
    return wind, angle


def noise_of(steps: Steps) -> Noise:
    """Robust spread of a step about the running level of its quarter of an hour, and neighbours' correlation."""
    own = steps.off[np.maximum(steps.set_number, 0), np.arange(len(steps.time_s))]
    good = steps.usable & (steps.set_number >= 0) & np.isfinite(own)
    quarter = steps.session * 100_000 + np.floor(steps.time_s / 900.0 % 100_000).astype(np.int64)
    frame = pl.DataFrame({"q": quarter[good], "set": steps.set_number[good], "off": own[good], "t": steps.time_s[good]})
    if frame.height < 30:
        return Noise(0.03, 0.7)
    about = frame.with_columns((pl.col("off") - pl.col("off").median().over("q", "set")).alias("r"))
    r, t = about["r"].to_numpy(), about["t"].to_numpy()
    limit = 4.0 * 1.4826 * np.median(np.abs(r))
    held = np.clip(r, -limit, limit)
    near = np.diff(t) < 1.5 * STEP_S
    sd = float(np.std(held))
    correlation = float(np.mean(held[1:][near] * held[:-1][near]) / max(sd**2, 1e-12)) if near.any() else 0.7
    return Noise(max(sd, 1e-3), float(np.clip(correlation, 0.0, 0.95)))

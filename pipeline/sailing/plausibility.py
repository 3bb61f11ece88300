"""Values that a sensor cannot mean: spikes, stuck and impossible readings."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats
from pipeline.sailing.smoothing import far_from_median
from pipeline.sailing.stretches import Flags, lasting
from pipeline.sailing.track import Track

MEDIAN_S = 15.0
SPEED_SPIKE_KN, SPEED_SPIKE_SHARE = 2.0, 0.4
WIND_SPIKE_KN, WIND_SPIKE_SHARE = 6.0, 0.6
STUCK_WIND_S = 45.0
FOULED_LOG_KN, FOULED_LOG_SOG_KN, FOULED_LOG_S = 0.3, 3.0, 60.0
HIGHEST_TWS_KN = 90.0
STOPPED_KN, STOPPED_SMOOTH_S = 0.5, 20.0


def implausible(track: Track) -> Flags:
    """Samples with a spike in speed or wind, a wind that does not move at all, or a log at zero while under way.

    These limits are of the instruments, not of the boat: a surf or a gust stays.
    """
    out = _spike(track.bsp_kn, track, SPEED_SPIKE_KN, SPEED_SPIKE_SHARE)
    out |= _spike(track.aws_kn, track, WIND_SPIKE_KN, WIND_SPIKE_SHARE)
    out |= track.tws_kn > HIGHEST_TWS_KN
    still = np.zeros(len(track), dtype=bool)
    same = (np.diff(track.awa_deg) == 0) & (np.diff(track.aws_kn) == 0)
    still[1:] = same
    out |= lasting(still, track.time_s, STUCK_WIND_S, track.stretch)
    bsp = track.smooth("bsp_kn", STOPPED_SMOOTH_S)
    fouled = (bsp < FOULED_LOG_KN) & (track.sog_kn > FOULED_LOG_SOG_KN)
    return out | lasting(fouled, track.time_s, FOULED_LOG_S, track.stretch)


def stopped(track: Track) -> Flags:
    """Samples where the boat lies still: her mean speed of 20 s is under half a knot."""
    bsp = track.smooth("bsp_kn", STOPPED_SMOOTH_S)
    return bsp < STOPPED_KN


def _spike(values: Floats, track: Track, least: float, share: float) -> Flags:
    if track.step_s > MEDIAN_S / 3:
        return np.zeros(len(track), dtype=bool)
    return far_from_median(values, track.count(MEDIAN_S), least, share)

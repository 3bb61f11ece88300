"""Where a surface would only be a guess: reach of the data, and how much the data say beyond the prior."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces.coordinates import Floats

# A set's surface is never given further than this from its windows: beyond, it would be extrapolation whatever the
# interval says. Half axes of an ellipse.
REACH_TWS_KN = 2.5
REACH_TWA_DEG = 12.0
# That much must lie within reach of a supported place: one stretch alone may be a wrong tag, so the windows must be
# spread over several quarters of an hour.
REACH_WINDOWS = 4
REACH_QUARTERS = 5
# The posterior knows neither that its parameters are themselves estimates nor what the model's shape leaves out (wind
# error that lasts, kinks, wrong tags). On simulated seasons of three unlike boats (seeds 1 to 3 of
# tests/benchmarks/score_surfaces.py) its 90 % intervals held the truth 74 times in 100; widened so, 87 times.
INTERVAL_FACTOR = 1.4
# Widest useful 90 % half interval, in log speed: neighbouring sets differ by a few per cent near their borders, so a
# surface known less well than this decides nothing.
WIDEST_HALF_INTERVAL = 0.03
# The set's own data must have taken away at least this share of the variance that a set never sailed would have.
LEAST_LEARNED = 0.5
HALF_90 = 1.6448536269514722  # standard normal quantile of 0.95


def within_reach(
    tws_kn: Floats, twa_deg: Floats, at_tws_kn: Floats, at_twa_deg: Floats, *, windows: int, stretch: float = 1.0
) -> NDArray[np.bool_]:
    """Whether at least `windows` of the points (tws_kn, twa_deg) lie within `stretch` reaches of each place."""
    count = np.zeros(len(at_tws_kn), dtype=np.int64)
    for k in range(0, len(tws_kn), 2000):
        d_tws = (tws_kn[k : k + 2000, None] - at_tws_kn[None, :]) / (REACH_TWS_KN * stretch)
        d_twa = (twa_deg[k : k + 2000, None] - at_twa_deg[None, :]) / (REACH_TWA_DEG * stretch)
        count += (d_tws**2 + d_twa**2 <= 1.0).sum(axis=0)
    return count >= windows


def well_visited(
    tws_kn: Floats, twa_deg: Floats, hours: Floats, at_tws_kn: Floats, at_twa_deg: Floats
) -> NDArray[np.bool_]:
    """Whether enough windows, in enough different quarters of an hour, lie within reach of each place."""
    near = np.zeros((len(tws_kn), len(at_tws_kn)), dtype=bool)
    for k in range(0, len(tws_kn), 2000):
        d_tws = (tws_kn[k : k + 2000, None] - at_tws_kn[None, :]) / REACH_TWS_KN
        d_twa = (twa_deg[k : k + 2000, None] - at_twa_deg[None, :]) / REACH_TWA_DEG
        near[k : k + 2000] = d_tws**2 + d_twa**2 <= 1.0
    _, first = np.unique(np.floor(hours * 4.0), return_index=True)
    quarters = np.add.reduceat(near, first, axis=0, dtype=np.int64) > 0 if len(first) else near[:0]
    return (near.sum(axis=0) >= REACH_WINDOWS) & (quarters.sum(axis=0) >= REACH_QUARTERS)


def minutes_near(tws_kn: Floats, twa_deg: Floats, minutes: Floats, at_tws_kn: Floats, at_twa_deg: Floats) -> Floats:
    """Minutes of the windows within 1 kn and 5 deg of each place."""
    out = np.zeros(len(at_tws_kn))
    for k in range(0, len(tws_kn), 2000):
        near = (np.abs(tws_kn[k : k + 2000, None] - at_tws_kn[None, :]) <= 1.0) & (
            np.abs(twa_deg[k : k + 2000, None] - at_twa_deg[None, :]) <= 5.0
        )
        out += minutes[k : k + 2000] @ near
    return out


def informed(sd: Floats, hull_sd: Floats, departure_prior_sd: Floats) -> NDArray[np.bool_]:
    """Whether an interval is narrow enough to be of use, and due to the set's own data rather than to the prior.

    The yardstick is what would be said of a set never sailed: the hull's surface and the spread of the sets about it.
    """
    unseen = hull_sd**2 + departure_prior_sd**2
    learned = 1.0 - sd**2 / np.maximum(unseen, 1e-18)
    return (sd * HALF_90 <= WIDEST_HALF_INTERVAL) & (learned >= LEAST_LEARNED)

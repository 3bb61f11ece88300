"""Leeway over the grid, for a designer who gave his angles from the heading."""

from __future__ import annotations

import numpy as np

from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat
from pipeline.surfaces.coordinates import Floats
from pipeline.surfaces.observations import Observations
from pipeline.wind.leeway import leeway_size_deg

# Widths of the Gaussian window over which the leeway of windows is averaged.
WIDTH_TWS_KN = 2.0
WIDTH_TWA_DEG = 8.0


def leeway_map(seen: Observations, boat: Boat, tws_at: Floats, twa_at: Floats) -> Floats:
    """Average size of the leeway in degrees near each place, by the heel and speed of the windows; 0 where unknown."""
    k = boat.calibration.boat.leeway_coefficient
    k = DEFAULT_CORRECTIONS.leeway_coefficient if k is None else k
    size = leeway_size_deg(seen.heel_to_leeward_deg, np.exp(seen.y), seen.twa_deg, k)
    known = np.isfinite(size)
    total, weight = np.zeros(len(tws_at)), np.full(len(tws_at), 1e-12)
    tws, twa, size = seen.tws_kn[known], np.abs(seen.twa_deg[known]), size[known]
    for i in range(0, len(size), 2000):
        part = slice(i, i + 2000)
        d_tws = (tws[part, None] - tws_at) / WIDTH_TWS_KN
        d_twa = (twa[part, None] - twa_at) / WIDTH_TWA_DEG
        near = np.exp(-0.5 * (d_tws**2 + d_twa**2))
        total += size[part] @ near
        weight += near.sum(axis=0)
    return np.asarray(total / weight)

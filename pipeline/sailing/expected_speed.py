"""A rough idea of the boat's speed in a wind, from the track itself: a yardstick for recovery, never a result."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats
from pipeline.sailing.smoothing import median_of_known
from pipeline.sailing.track import Track

TWS_STEP_KN = 2.0
TWA_STEP_DEG = 10.0
LEAST_SECONDS = 60.0
# Cells of half a circle, and as many winds as there is room for, far beyond any that blows.
_ANGLES, _WINDS = 20, 3000
_CELLS = _ANGLES * _WINDS


def expected_speed_kn(track: Track) -> Floats:
    """Median speed of the track at about the same true wind, all sets together; NaN where too little was sailed."""
    i, j = track.tws_kn / TWS_STEP_KN + 0.5, np.abs(track.twa_deg) / TWA_STEP_DEG + 0.5
    placed = np.isfinite(i) & np.isfinite(j)
    cell = np.full(len(track), _CELLS, dtype=np.uint16)
    cell[placed] = np.minimum(np.floor(i[placed]), _WINDS - 1) * _ANGLES + np.floor(j[placed])
    known = np.flatnonzero(placed & np.isfinite(track.bsp_kn))
    order = known[np.argsort(cell[known], kind="stable")]  # of numbers so short a sort by their digits
    first = np.concatenate(([0], np.flatnonzero(np.diff(cell[order])) + 1))
    end = np.append(first[1:], len(order))
    speed = track.bsp_kn[order]
    median = np.full(_CELLS + 1, np.nan)
    least = max(1, round(LEAST_SECONDS / track.step_s))
    for a, b in zip(first.tolist(), end.tolist(), strict=True):
        if b - a >= least:
            median[cell[order[a]]] = median_of_known(speed[a:b])
    return median[cell]

"""A rough idea of the boat's speed in a wind, from the track itself: a yardstick for recovery, never a result."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats
from pipeline.sailing.track import Track

TWS_STEP_KN = 2.0
TWA_STEP_DEG = 10.0
LEAST_SECONDS = 60.0
_CELLS = 1000  # more than the cells of half a circle


def expected_speed_kn(track: Track) -> Floats:
    """Median speed of the track at about the same true wind, all sets together; NaN where too little was sailed."""
    out = np.full(len(track), np.nan)
    i, j = track.tws_kn / TWS_STEP_KN + 0.5, np.abs(track.twa_deg) / TWA_STEP_DEG + 0.5
    known = np.flatnonzero(np.isfinite(i) & np.isfinite(j) & np.isfinite(track.bsp_kn))
    if not known.size:
        return out
    cell = np.full(len(track), -1, dtype=np.int64)
    placed = np.isfinite(i) & np.isfinite(j)
    cell[placed] = np.floor(i[placed]).astype(np.int64) * _CELLS + np.floor(j[placed]).astype(np.int64)
    order = known[np.lexsort((track.bsp_kn[known], cell[known]))]
    first = np.concatenate(([0], np.flatnonzero(np.diff(cell[order])) + 1))
    count = np.diff(np.append(first, len(order)))
    speed = track.bsp_kn[order]
    median = 0.5 * (speed[first + (count - 1) // 2] + speed[first + count // 2])
    median[count < max(1, round(LEAST_SECONDS / track.step_s))] = np.nan
    cells = cell[order][first]
    at = np.minimum(np.searchsorted(cells, cell), len(cells) - 1)
    found = cells[at] == cell
    out[found] = median[at[found]]
    return out

"""The designed chart, the designer's speeds, and the truth beside them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from demo_maker.sail_wardrobe import NAMED_SETS, SETS
from demo_maker.speed_tables import belief, solve_on

Floats = NDArray[np.float64]

# From narrow to wide angles: the same order at every wind speed, so ten curves part the whole chart.
ORDER = ("J4", "J2", "J1", "J2+ST", "RH", "RH+J4+ST", "SR+ST", "S2+ST", "S1")
CHART_TWS_KN = np.arange(4.0, 26.1, 1.0)
FINE_TWA_DEG = np.arange(36.0, 180.1, 1.0)


@lru_cache(maxsize=4)
def fine_speeds() -> dict[str, Floats]:
    """True speeds of every set at the season's end on `CHART_TWS_KN` x `FINE_TWA_DEG`."""
    return {name: solve_on(name, CHART_TWS_KN, FINE_TWA_DEG).bsp_kn for name in SETS}


def believed_speeds() -> dict[str, Floats]:
    """What the designer predicted on the same grid."""
    true = fine_speeds()
    return {name: true[name] * belief(name, CHART_TWS_KN, FINE_TWA_DEG) for name in NAMED_SETS}


def border_curves(speeds: dict[str, Floats]) -> Floats:
    """For each wind speed the angles that part the chart, shape (tws, sets + 1): set k from curve k to k + 1."""
    stack = np.stack([speeds[name] for name in ORDER])
    curves = np.empty((CHART_TWS_KN.size, len(ORDER) + 1))
    for i in range(CHART_TWS_KN.size):
        curves[i] = _borders_of_row(stack[:, i, :])
    return curves


def _borders_of_row(row: Floats) -> Floats:
    """The best way to part one row in the given order: the split of highest summed speed, then put on the crossings."""
    sets, angles = row.shape
    total = np.concatenate([np.zeros((sets, 1)), np.cumsum(row, axis=1)], axis=1)
    best = total[0].copy()  # best sum of angles 0..j-1 using sets up to k
    came = np.zeros((sets, angles + 1), dtype=int)
    for k in range(1, sets):
        start = best - total[k]
        run = np.maximum.accumulate(start)
        came[k] = [int(np.flatnonzero(start[: j + 1] == run[j])[-1]) for j in range(angles + 1)]
        best = run + total[k]
    cuts = [angles]
    for k in range(sets - 1, 0, -1):
        cuts.append(int(came[k][cuts[-1]]))
    cuts.append(0)
    cuts.reverse()
    return _on_crossings(row, cuts)


def _on_crossings(row: Floats, cuts: list[int]) -> Floats:
    """Cuts (indices) as angles, each moved to where the two neighbouring sets are equally fast."""
    out = np.array([FINE_TWA_DEG[0] + max(c - 0.5, 0.0) for c in cuts])
    out[-1] = FINE_TWA_DEG[-1]
    for c in set(cuts[1:-1]):
        if 0 < c < row.shape[1]:
            below = max(k for k in range(row.shape[0]) if cuts[k] < c and cuts[k + 1] >= c)
            above = min(k for k in range(row.shape[0]) if cuts[k] <= c and cuts[k + 1] > c)
            d0, d1 = row[above, c - 1] - row[below, c - 1], row[above, c] - row[below, c]
            share = d0 / (d0 - d1) if d0 < 0.0 <= d1 else 0.5
            out[[k for k in range(len(cuts)) if cuts[k] == c and k < len(cuts) - 1]] = FINE_TWA_DEG[c - 1] + share
    out[[k for k in range(len(cuts)) if cuts[k] >= row.shape[1]]] = FINE_TWA_DEG[-1]
    out[[k for k in range(len(cuts)) if cuts[k] == 0]] = FINE_TWA_DEG[0]
    return out


def designed_curves() -> Floats:
    """The designer's border curves: from the believed speeds, smoothed along the wind speed, in whole degrees."""
    curves = border_curves(believed_speeds())
    padded = np.vstack([curves[:1], curves, curves[-1:]])
    smooth = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
    return np.round(np.maximum(smooth, close_hauled_angle()[:, None]))


def close_hauled_angle() -> Floats:
    """The boat's best close-hauled angle at each wind speed, less a degree: where the chart begins."""
    narrow = FINE_TWA_DEG < 60.0
    vmg = np.stack([v[:, narrow] for v in fine_speeds().values()]).max(axis=0) * np.cos(
        np.radians(FINE_TWA_DEG[narrow])
    )
    return FINE_TWA_DEG[narrow][vmg.argmax(axis=1)] - 1.0


def rings() -> list[tuple[str, int, float, float]]:
    """Rows of `designed.csv`: set, part, wind speed, angle."""
    curves = designed_curves()
    rows: list[tuple[str, int, float, float]] = []
    for k, name in enumerate(ORDER):
        low, high = curves[:, k], curves[:, k + 1]
        wide = np.flatnonzero(high > low)
        for part, run in enumerate(np.split(wide, np.flatnonzero(np.diff(wide) > 1) + 1), start=1):
            if run.size:
                first, last = max(run[0] - 1, 0), min(run[-1] + 1, low.size - 1)
                up = [(CHART_TWS_KN[i], low[i]) for i in range(first, last + 1)]
                down = [(CHART_TWS_KN[i], high[i]) for i in range(last, first - 1, -1)]
                rows += [(name, part, float(w), float(a)) for w, a in _thinned(up) + _thinned(down)]
    return rows


def _thinned(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Without the vertices that lie exactly on a straight line between their neighbours."""
    kept = points[:1]
    for i in range(1, len(points) - 1):
        if points[i + 1][1] - points[i][1] != points[i][1] - points[i - 1][1]:
            kept.append(points[i])
    return kept + points[-1:]

"""Windows in which the log's speed and the speed over the ground part: weed on the wheel, not another sail.

What the log shows above the speed over the ground is, session by session, a current that changes smoothly (its part
along the heading) and a share of the log's own; where a window stands off that by far, one of the two is wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.set_aside import seconds

# The current's components are polynomials of this degree in the session's time, held small by a prior of so many kn.
DEGREE, CURRENT_KN = 3, 2.0
# Fewer windows do not tell a current from a fault.
LEAST_WINDOWS = 20
# Off by so much of the boat's speed, and so many times the session's own scatter.
OFF_SHARE, OFF_SCATTER, LEAST_SCATTER_KN = 0.05, 5.0, 0.03
# Tukey's biweight: Beaton & Tukey 1974, Technometrics 16, 147-185 (from memory).
BIWEIGHT, ROUNDS = 4.7, 15


def off_the_ground(windows: pl.DataFrame) -> np.ndarray:
    """Whether each window's boat speed parts from its speed over the ground, (n); False where that is not known."""
    out = np.zeros(windows.height, dtype=bool)
    if not {"stw_sog_diff_kn", "hdg_deg", "session", "bsp_kn"} <= set(windows.columns):
        return out
    numbers = windows.select(pl.col("stw_sog_diff_kn", "hdg_deg", "bsp_kn").cast(pl.Float64)).fill_null(np.nan)
    difference, heading, speed = (c.to_numpy() for c in numbers.iter_columns())
    time, session = seconds(windows["start"]), windows["session"].fill_null(-1).to_numpy()
    known = np.isfinite(difference) & np.isfinite(heading) & np.isfinite(speed)
    for number in np.unique(session):
        at = np.flatnonzero((session == number) & known)
        if len(at) >= LEAST_WINDOWS:
            left, scatter = _left(time[at], np.radians(heading[at]), speed[at], difference[at])
            out[at] = (np.abs(left) > OFF_SHARE * speed[at]) & (np.abs(left) > OFF_SCATTER * scatter)
    return out


def fouled_at(windows: pl.DataFrame, starts: Sequence[datetime]) -> np.ndarray:
    """`off_the_ground` for the windows that begin at `starts` (n)."""
    fouled = set(windows.filter(off_the_ground(windows))["start"])
    return np.array([start in fouled for start in starts], dtype=bool)


def _left(time: Floats, heading: Floats, speed: Floats, difference: Floats) -> tuple[Floats, float]:
    """What a smooth current and a constant share of the speed leave of the difference (kn), and its scatter."""
    when = 2.0 * (time - time[0]) / max(time[-1] - time[0], 1.0) - 1.0
    powers = when[:, None] ** np.arange(DEGREE + 1)
    x = np.hstack([speed[:, None], powers * np.cos(heading)[:, None], powers * np.sin(heading)[:, None]])
    weight = np.ones(len(time))
    for _ in range(ROUNDS):
        solved = x.T * weight
        held = np.eye(x.shape[1]) * LEAST_SCATTER_KN**2 / CURRENT_KN**2
        left = difference - x @ np.linalg.solve(solved @ x + held, solved @ difference)
        scatter = 1.4826 * float(np.median(np.abs(left))) + LEAST_SCATTER_KN
        weight = np.maximum(1.0 - (left / (BIWEIGHT * scatter)) ** 2, 0.0) ** 2
    return left, scatter

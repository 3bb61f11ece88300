"""The bias that upwash left in gives a border, computed from the truth, without windows and fit.

Each set's true speed is seen at the wind that the chain computes with the error; to first order in the crossing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tests.known_boat.sensors import log_law
from tests.known_boat.truth import Truth

# Where two sets hardly part (log speed per deg, per kn), a border is anywhere and its bias says nothing.
LEAST_SLOPE = {"tws_kn": 0.003, "twa_deg": 0.0008}
STEP = {"tws_kn": 0.3, "twa_deg": 1.0}
# Where the first order is good enough and the known boats' surfaces are sailed.
TWS_KN, TWA_DEG = (4.0, 28.0), (35.0, 170.0)


def border_bias(
    truth: Truth, set_a: str, set_b: str, along: str, at: float, crossing: float, left_in_deg: Mapping[str, float]
) -> float | None:
    """By how much the border (kn or deg, on the line `at`) is found wrong; None where first order says nothing."""
    tws, twa = (crossing, at) if along == "tws_kn" else (at, crossing)
    if not (TWS_KN[0] < tws < TWS_KN[1] and TWA_DEG[0] < twa < TWA_DEG[1]):
        return None
    moved = []
    for name in (set_a, set_b):
        d_tws, d_twa = _seen(truth, name, tws, twa, left_in_deg[name])
        moved.append(_log_speed(truth, name, tws - d_tws, twa - d_twa) - _log_speed(truth, name, tws, twa))

    def lead(by: float) -> float:
        place = (tws + by, twa) if along == "tws_kn" else (tws, twa + by)
        return _log_speed(truth, set_b, *place) - _log_speed(truth, set_a, *place)

    slope = (lead(STEP[along]) - lead(-STEP[along])) / (2.0 * STEP[along])
    return None if abs(slope) <= LEAST_SLOPE[along] else -(moved[1] - moved[0]) / slope


def _log_speed(truth: Truth, sail_set: str, tws_kn: float, twa_deg: float) -> float:
    return float(np.log(truth.surface(sail_set, np.array([tws_kn]), np.array([twa_deg]))[0]))


def _seen(truth: Truth, sail_set: str, tws_kn: float, twa_deg: float, upwash_deg: float) -> tuple[float, float]:
    """By how much TWS and TWA are computed wrong where this upwash is left in; plane vectors, no leeway."""
    height = log_law(truth.boat.sensor_height_m)
    bsp = float(np.exp(_log_speed(truth, sail_set, tws_kn, twa_deg)))
    ahead, abeam = (
        tws_kn * height * np.cos(np.radians(twa_deg)) + bsp,
        tws_kn * height * np.sin(np.radians(twa_deg)),
    )
    awa, aws = np.degrees(np.arctan2(abeam, ahead)), np.hypot(ahead, abeam)
    shown = np.radians(awa + upwash_deg * max(120.0 - awa, 0.0) / 90.0)
    ahead, abeam = aws * np.cos(shown) - bsp, aws * np.sin(shown)
    return float(np.hypot(ahead, abeam) / height - tws_kn), float(np.degrees(np.arctan2(abeam, ahead)) - twa_deg)

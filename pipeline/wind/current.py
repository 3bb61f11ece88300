"""Current from the two motions of the boat, and the wind over ground that it leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.angles import Floats, wrap_360
from pipeline.wind.triangle import CALM_KN


def set_and_drift(
    hdg_deg: ArrayLike, leeway_deg: ArrayLike, bsp_kn: ArrayLike, sog_kn: ArrayLike, cog_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Direction the current sets to (degrees true) and its drift (kn): motion over ground less motion through water.

    `hdg_deg` and `cog_deg` are true, `leeway_deg` positive to starboard. At 0 kn of drift the set is NaN, and so is all
    that has a missing value in it. Source: plane vectors.
    """
    ctw = np.asarray(hdg_deg, dtype=float) + np.asarray(leeway_deg, dtype=float)
    ground_n, ground_e = _components(cog_deg, sog_kn)
    water_n, water_e = _components(ctw, bsp_kn)
    return _polar(ground_n - water_n, ground_e - water_e)


def over_ground(
    ctw_deg: ArrayLike, bsp_kn: ArrayLike, set_deg: ArrayLike, drift_kn: ArrayLike
) -> tuple[Floats, Floats]:
    """Course (degrees true) and speed (kn) over ground from course and speed through the water and the current."""
    water_n, water_e = _components(ctw_deg, bsp_kn)
    n, e = _components(set_deg, drift_kn)
    return _polar(water_n + n, water_e + e)


def wind_over_ground(
    twd_deg: ArrayLike, tws_kn: ArrayLike, set_deg: ArrayLike, drift_kn: ArrayLike
) -> tuple[Floats, Floats]:
    """Direction (from, degrees true) and speed (kn) of the wind over ground from the true wind over the water.

    The air moves over the ground as it moves over the water plus as the water moves. Calm has the direction NaN.
    """
    n, e = _components(np.asarray(twd_deg, dtype=float) + 180.0, tws_kn)
    current_n, current_e = _components(set_deg, drift_kn)
    towards, speed = _polar(n + current_n, e + current_e)
    return wrap_360(towards + 180.0), speed


def _components(towards_deg: ArrayLike, speed_kn: ArrayLike) -> tuple[Floats, Floats]:
    speed = np.asarray(speed_kn, dtype=float)
    rad = np.radians(np.where(speed == 0.0, 0.0, np.asarray(towards_deg, dtype=float)))
    return speed * np.cos(rad), speed * np.sin(rad)


def _polar(north_kn: Floats, east_kn: Floats) -> tuple[Floats, Floats]:
    speed = np.hypot(north_kn, east_kn)
    towards = wrap_360(np.degrees(np.arctan2(east_kn, north_kn)))
    still = speed < CALM_KN
    return np.where(still, np.nan, towards), np.where(still, 0.0, speed)

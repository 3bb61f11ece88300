"""The invented yacht as a model: the steady speed of each sail set for a true wind speed and angle.

Sail forces from the coefficient curves of `sail_wardrobe`; the resistance of waves from the means by Froude number of
the Delft towing-tank series (UCI Machine Learning Repository, "Yacht Hydrodynamics", doi 10.24432/C5XG7R, CC BY 4.0:
308 rows, 22 hulls, residuary resistance per unit weight x 1000), carried on above Froude number 0.45 by an invented
planing slope; heel and leeway from a plain balance of side force, keel and righting moment. True wind at 10 m, TWA from
the course through the water. No boat that exists.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_maker.sail_wardrobe import SAILS, SETS, SailSpec, SetSpec, curve_on

Floats = NDArray[np.float64]

KN = 1852.0 / 3600.0  # metres per second in a knot
GRAVITY = 9.80665
AIR_KG_M3 = 1.225
WATER_KG_M3 = 1025.0

FROUDE = np.arange(0.125, 0.4501, 0.025)
RESIDUARY_PER_MILLE = np.array(
    (0.107, 0.255, 0.486, 0.791, 1.226, 1.839, 2.682, 3.847, 5.348, 8.120, 13.207, 22.018, 34.896, 52.112)
)


@dataclass(frozen=True)
class Hull:
    """The invented hull, keel and rig."""

    lwl_m: float = 19.0
    displacement_kg: float = 15_800.0
    wetted_m2: float = 56.0
    residuary_factor: float = 0.66  # lighter for her length than the series' mean hull
    keel_span_m: float = 3.3  # effective
    lateral_area_m2: float = 8.4
    lateral_slope_per_rad: float = 3.3
    keel_centre_m: float = 1.9  # below the water
    righting_nm_per_deg: float = 16_000.0
    crew_moment_nm: float = 28_000.0
    windage_m2: float = 24.0
    rig_span_m: float = 27.0


HULL = Hull()
FLATTENING = np.linspace(0.36, 1.0, 33)
AWA_TABLE_DEG = np.arange(0.0, 180.01, 0.25)


@dataclass(frozen=True)
class Steady:
    """Steady state on a grid, arrays of shape (tws, twa)."""

    bsp_kn: Floats
    heel_deg: Floats
    leeway_deg: Floats
    flattening: Floats


@dataclass(frozen=True)
class Rig:
    """A set's coefficients, already multiplied by area, on `AWA_TABLE_DEG`; moments per metre of height likewise."""

    lift_m2: Floats
    drag_m2: Floats
    lift_moment_m3: Floats
    area_m2: float
    shaken_tws_kn: tuple[float, float]
    shaken_share: float


def rig_of(spec: SetSpec, sails: dict[str, SailSpec]) -> Rig:
    """Sum of a set's sails."""
    lift = np.zeros_like(AWA_TABLE_DEG)
    drag = np.zeros_like(AWA_TABLE_DEG)
    moment = np.zeros_like(AWA_TABLE_DEG)
    total_area = 0.0
    for code, effect in zip(spec.sails, spec.effect, strict=True):
        sail = sails[code]
        main = sail.kind == "mainsail"
        area = sail.area_m2 * (spec.reef if main else 1.0)
        centre = sail.centre_m * (0.5 + 0.5 * spec.reef if main else 1.0)
        cl, cd = curve_on((spec.curves or {}).get(code, sail.curve), AWA_TABLE_DEG)
        lift += effect * area * cl
        drag += area * cd
        total_area += area
        moment += effect * area * cl * centre
    return Rig(lift, drag, moment, total_area, spec.shaken_tws_kn, spec.shaken_share)


def residuary_n(speed_ms: Floats, hull: Hull = HULL) -> Floats:
    """Residuary resistance, newtons: log-linear between the means by Froude number, an easing power law above 0.45."""
    fr = speed_ms / np.sqrt(GRAVITY * hull.lwl_m)
    inside = np.exp(np.interp(fr, FROUDE, np.log(RESIDUARY_PER_MILLE)))
    below = RESIDUARY_PER_MILLE[0] * (fr / FROUDE[0]) ** 3
    over = np.maximum(fr, FROUDE[-1])
    above = RESIDUARY_PER_MILLE[-1] * (over / FROUDE[-1]) ** 1.5 * np.exp(0.58 * (1.0 - np.exp(-(over - 0.45) / 0.05)))
    per_mille = np.where(fr < FROUDE[0], below, np.where(fr > FROUDE[-1], above, inside))
    return hull.residuary_factor * per_mille * 1e-3 * hull.displacement_kg * GRAVITY


def _balance(
    speed_ms: Floats, tws_ms: Floats, twa_rad: Floats, flat: Floats, rig: Rig, hull: Hull
) -> tuple[Floats, Floats, Floats]:
    """Surplus of drive over resistance (N), heel (deg) and leeway (deg) at a speed."""
    along = tws_ms * np.cos(twa_rad) + speed_ms
    across = tws_ms * np.sin(twa_rad)
    awa = np.arctan2(across, along)
    q_air = 0.5 * AIR_KG_M3 * (along**2 + across**2)
    index = np.degrees(awa)
    low, high = rig.shaken_tws_kn
    shaken = rig.shaken_share / (1.0 + np.exp(-(tws_ms / KN - 0.5 * (low + high)) / (0.22 * (high - low))))
    lift_m2 = flat * (1.0 - shaken) * np.interp(index, AWA_TABLE_DEG, rig.lift_m2)
    flogging = 0.75 * rig.area_m2 * np.maximum(0.92 - flat, 0.0) ** 2
    induced = lift_m2**2 * (1.0 / (np.pi * hull.rig_span_m**2) + 0.005 / rig.area_m2)
    profile = (1.0 + 0.8 * shaken * np.cos(awa)) * np.interp(index, AWA_TABLE_DEG, rig.drag_m2)
    drag_m2 = profile + induced + flogging + hull.windage_m2 * 0.8
    drive = q_air * (lift_m2 * np.sin(awa) - drag_m2 * np.cos(awa))
    side = q_air * (lift_m2 * np.cos(awa) + drag_m2 * np.sin(awa))
    height = np.interp(index, AWA_TABLE_DEG, rig.lift_moment_m3 / np.maximum(rig.lift_m2, 1e-9))
    arm = height * (0.86 + 0.14 * flat) + hull.keel_centre_m
    moment = side * arm
    heel = np.maximum(moment - hull.crew_moment_nm, 0.15 * moment) / hull.righting_nm_per_deg
    heel = np.minimum(heel, 45.0)
    cos_heel = np.cos(np.radians(heel))
    q_water = 0.5 * WATER_KG_M3 * np.maximum(speed_ms, 0.3) ** 2
    reynolds = np.maximum(speed_ms, 0.3) * 0.8 * hull.lwl_m / 1.19e-6
    friction = 0.075 / (np.log10(reynolds) - 2.0) ** 2 * q_water * hull.wetted_m2 * 1.12
    keel = side**2 / (np.pi * q_water * (hull.keel_span_m * cos_heel) ** 2)
    heeled = 1.0 + 0.00022 * heel**2 + 0.004 * np.maximum(heel - 23.0, 0.0) ** 2
    surplus = drive * cos_heel**0.5 - (friction + residuary_n(speed_ms, hull)) * heeled - keel
    leeway = np.degrees(side / (q_water * hull.lateral_area_m2 * hull.lateral_slope_per_rad * cos_heel))
    return surplus, heel, np.minimum(leeway, 12.0)


def solve(
    name: str, tws_kn: Floats, twa_deg: Floats, sails: dict[str, SailSpec] | None = None, hull: Hull = HULL
) -> Steady:
    """Steady state of a set on `tws_kn` x `twa_deg`: drive equals resistance, the sails flattened as is fastest."""
    rig = rig_of(SETS[name], sails or SAILS)
    tws = tws_kn[:, None, None] * KN * np.ones((1, twa_deg.size, FLATTENING.size))
    twa = np.radians(twa_deg)[None, :, None] * np.ones_like(tws)
    flat = FLATTENING[None, None, :] * np.ones_like(tws)
    low, high = np.full_like(tws, 0.15), np.full_like(tws, 14.0)
    for _ in range(26):
        middle = 0.5 * (low + high)
        surplus = _balance(middle, tws, twa, flat, rig, hull)[0]
        low, high = np.where(surplus > 0, middle, low), np.where(surplus > 0, high, middle)
    speed = 0.5 * (low + high)
    speed, best = _refined(speed)
    at = best[..., None]
    _, heel, leeway = _balance(speed[..., None], tws[..., :1], twa[..., :1], at, rig, hull)
    return Steady(speed / KN, heel[..., 0], leeway[..., 0], best)


def _refined(speed: Floats) -> tuple[Floats, Floats]:
    """Highest speed over the flattening axis and where it stands, by a parabola through the best three points."""
    k = np.argmax(speed, axis=-1)
    inner = np.clip(k, 1, FLATTENING.size - 2)
    left, mid, right = (np.take_along_axis(speed, (inner + d)[..., None], -1)[..., 0] for d in (-1, 0, 1))
    curvature = left - 2.0 * mid + right
    shift = np.where((k == inner) & (curvature < -1e-12), 0.5 * (left - right) / np.minimum(curvature, -1e-12), 0.0)
    top = np.where(k == inner, mid - 0.25 * (left - right) * shift, np.take_along_axis(speed, k[..., None], -1)[..., 0])
    return top, FLATTENING[k] + shift * (FLATTENING[1] - FLATTENING[0]) * (k == inner)

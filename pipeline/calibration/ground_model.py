"""What the parameters of speed and heading do to the velocity through the water, bit by bit.

    v = F s u(heading + offset + deviation(heading) + leeway)
    F = factor (1 + side tack + slope (s - reference))

with s and heading as corrected in use, `side` +1 on starboard tack, u the unit vector. Leeway is as measured, or by
heel as k heel / (F s)^2, or where neither is logged one angle to leeward that fades off the wind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.calibration.ground_current import Bearings
from pipeline.calibration.legs import Bits, Motion
from pipeline.units import DEG_PER_RAD

# In this order; deviation = d1 sin c + d2 cos c + d3 sin 2c + d4 cos 2c of the compass heading c.
FACTOR, TACK, SLOPE, OFFSET, LEEWAY = 0, 1, 2, 3, 8
DEVIATION = slice(4, 8)
NUMBER = 9
# Where the leeway comes from.
HEEL, MEASURED, NONE = "heel", "measured", "none"
START = np.array([1.0, 0, 0, 0, 0, 0, 0, 0, 0])
# Wide for what must be measured; for the rest what a sensor in order can show: a log's two tacks within a few per cent,
# its change with speed, and a compass's deviation (common practice, no source).
PRIOR_SD = np.array([0.1, 0.015, 0.004, 8.0, 2.0, 2.0, 1.0, 1.0, 8.0])
# What the model itself is worth, however much is sailed: leeway by rule takes its fading from a TWA that may be some
# degrees wrong, and a sensor's lag is not a pure delay: found as the errors that remain in simulated seasons. Speed and
# heading are printed to 0.01 kn and 0.1 deg, and a sensor that truncates is half a step off: no interval is narrower.
FLOOR_SD = np.array([4e-4, 1e-4, 1.5e-4, 0.03, 0.008, 0.008, 0.006, 0.006, 0.13])
# How much sensors vary from day to day where too few days are sailed to see it (common practice, no source).
DAY_SD = np.array([0.004, 0.003, 0.001, 0.4, 0.3, 0.3, 0.2, 0.2, 0.8])
LEEWAY_MOST_DEG = 12.0
_FADE_FROM, _FADE_SPAN = 150.0, 60.0


@dataclass(frozen=True, slots=True)
class Course:
    """What enters the model, one value a step within bits. `unit_leeway_deg` by what `source` says."""

    north_kn: Floats
    east_kn: Floats
    bsp_kn: Floats
    hdg_rad: Floats
    waves: Floats  # (steps, 4): sin and cos of the compass heading and its double
    side: Floats
    leeway_deg: Floats
    bit: np.ndarray
    source: str  # HEEL, MEASURED or NONE
    reference_kn: float


def course_of(motion: Motion, bits: Bits) -> Course:
    """Steps inside bits, with the source of their leeway: one for the season, by what most of it logs."""
    inside = np.flatnonzero(bits.bit >= 0)
    bit = bits.bit[inside]
    heel = motion.unit_leeway_deg()[inside]
    measured = motion.leeway_deg[inside]
    if inside.size and np.isfinite(measured).mean() > 0.5:
        source, leeway = MEASURED, measured
    elif inside.size and np.isfinite(heel).mean() > 0.5:
        source, leeway = HEEL, heel
    else:
        fade = np.clip((_FADE_FROM - np.abs(motion.twa_deg[inside])) / _FADE_SPAN, 0.0, 1.0)
        source, leeway = NONE, -np.sign(motion.twa_deg[inside]) * fade
    bsp, compass = motion.bsp_kn[inside], np.radians(motion.compass_deg[inside])
    waves = np.column_stack((np.sin(compass), np.cos(compass), np.sin(2 * compass), np.cos(2 * compass)))
    reference = float((bsp**3).sum() / (bsp**2).sum()) if inside.size else 0.0
    return Course(
        north_kn=motion.north_kn[inside],
        east_kn=motion.east_kn[inside],
        bsp_kn=bsp,
        hdg_rad=np.radians(motion.hdg_deg[inside]),
        waves=np.nan_to_num(waves),
        side=bits.side[bit],
        leeway_deg=np.nan_to_num(leeway),
        bit=bit,
        source=source,
        reference_kn=reference,
    )


def residuals(course: Course, value: Floats, bits: Bits) -> tuple[Floats, Floats, Bearings]:
    """Ground less water velocity of each bit, along and across its course; how the water's changes with each parameter.

    `value` are the parameters at which the model is linearised. Shapes (bits, 2) and (bits, 2, parameters).
    """
    s = course.bsp_kn
    relative = 1.0 + value[TACK] * course.side + value[SLOPE] * (s - course.reference_kn)
    factor = value[FACTOR] * relative
    speed = factor * s
    leeway, by_k, by_factor = _leeway(course, value[LEEWAY], factor)
    theta = course.hdg_rad + np.radians(value[OFFSET] + course.waves @ value[DEVIATION] + leeway)
    along = np.column_stack((np.cos(theta), np.sin(theta)))
    across = np.column_stack((-np.sin(theta), np.cos(theta)))
    turn = (speed / DEG_PER_RAD)[:, None] * across
    # one per cent more factor is also less leeway
    scale = s[:, None] * along + by_factor[:, None] * turn
    gains = [relative, value[FACTOR] * course.side, value[FACTOR] * (s - course.reference_kn)]
    columns = [scale * g[:, None] for g in gains]
    columns += [turn, *(turn * course.waves[:, [j]] for j in range(4)), turn * by_k[:, None]]
    water = speed[:, None] * along
    ground = np.column_stack((course.north_kn, course.east_kn))
    means = _means(course, np.stack((ground - water, water, *columns), axis=2))
    at = Bearings(bits.time_s / 3600.0, bits.block, bits.leg, np.arctan2(means[:, 1, 1], means[:, 0, 1]))
    c, n = np.cos(at.course_rad), np.sin(at.course_rad)
    turned = np.stack(
        (
            c[:, None] * means[:, 0] + n[:, None] * means[:, 1],
            -n[:, None] * means[:, 0] + c[:, None] * means[:, 1],
        ),
        axis=1,
    )
    return turned[:, :, 0], turned[:, :, 2:], at


def _leeway(course: Course, k: float, factor: Floats) -> tuple[Floats, Floats, Floats]:
    """Leeway in degrees, and its change with the coefficient and with the speed factor."""
    if course.source == MEASURED:
        return course.leeway_deg, np.zeros_like(factor), np.zeros_like(factor)
    if course.source == NONE:
        return k * course.leeway_deg, course.leeway_deg, np.zeros_like(factor)
    by_k = course.leeway_deg / (factor * factor)
    free = np.abs(k * by_k) < LEEWAY_MOST_DEG
    leeway = np.clip(k * by_k, -LEEWAY_MOST_DEG, LEEWAY_MOST_DEG)
    return leeway, np.where(free, by_k, 0.0), np.where(free, -2.0 * leeway / factor, 0.0)


def _means(course: Course, values: Floats) -> Floats:
    """Mean over each bit; steps of a bit stand together and in order, so that sums need no search."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(course.bit) != 0)))
    number = np.diff(np.concatenate((starts, [len(course.bit)])))
    return np.add.reduceat(values, starts, axis=0) / number[:, None, None]

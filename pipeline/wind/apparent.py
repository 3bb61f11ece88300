"""From what the masthead unit shows to the apparent wind in the horizontal plane, at the sensor's height.

Order, as the quantities arise: in the sensor's own plane the offset of the vane, the factor of the cups, the motion of
the masthead and the upwash of the sails; then the turn of that plane to the horizontal. Angles from the bow, starboard
positive.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.angles import Floats, radians, wrap_180
from pipeline.units import KN_PER_MS
from pipeline.wind.triangle import polar

# Beyond this heel or pitch the cross-component is a small rest that de-heeling would only magnify.
STEEPEST_DEG = 60.0
# Upwash is full close-hauled and gone from here on, where the sensor stands clear of the sails' flow.
NO_UPWASH_FROM_DEG = 120.0
UPWASH_SPAN_DEG = 90.0


def with_offset(awa_deg: ArrayLike, awa_offset_deg: ArrayLike) -> Floats:
    """Apparent wind angle with the offset of the vane added, folded to [-180, 180)."""
    return wrap_180(np.asarray(awa_deg, dtype=float) + np.asarray(awa_offset_deg, dtype=float))


def without_masthead_motion(
    awa_deg: ArrayLike,
    aws_kn: ArrayLike,
    roll_rate_deg_s: ArrayLike,
    pitch_rate_deg_s: ArrayLike,
    mast_height_m: ArrayLike,
) -> tuple[Floats, Floats]:
    """Apparent wind angle and speed without the wind that the swinging masthead makes for itself.

    Roll rate is positive when the mast goes to starboard, pitch rate when the bow comes up; the lever arm is the
    sensor's height above the waterline, taken as the axis of both. A missing rate leaves its component as it is.
    Source: v = omega x r.
    """
    angle = radians(awa_deg)
    kn_per_deg_s = radians(1.0) * np.asarray(mast_height_m, dtype=float) * KN_PER_MS
    aws = np.asarray(aws_kn, dtype=float)
    ahead = aws * np.cos(angle) + kn_per_deg_s * np.nan_to_num(np.asarray(pitch_rate_deg_s, dtype=float))
    abeam = aws * np.sin(angle) - kn_per_deg_s * np.nan_to_num(np.asarray(roll_rate_deg_s, dtype=float))
    return polar(ahead, abeam)


def without_upwash(awa_deg: ArrayLike, upwash_deg: ArrayLike) -> Floats:
    """Apparent wind angle with u x (120 - |AWA|) / 90 taken from its size below 120 deg, nothing beyond.

    `upwash_deg` is u, the upwash at AWA 30. The angle never crosses the bow by it. Common practice (upwash ahead of
    the rig, falling off the wind), no source; the form is the project's own definition.
    """
    awa = np.asarray(awa_deg, dtype=float)
    size = np.abs(awa)
    share = np.maximum(NO_UPWASH_FROM_DEG - size, 0.0) / UPWASH_SPAN_DEG
    return np.asarray(np.copysign(np.maximum(size - np.asarray(upwash_deg, dtype=float) * share, 0.0), awa))


def with_upwash(awa_deg: ArrayLike, upwash_deg: ArrayLike) -> Floats:
    """The reverse of `without_upwash`: what a vane in the sails' upwash shows for the true apparent angle."""
    awa = np.asarray(awa_deg, dtype=float)
    size = np.abs(awa)
    u = np.asarray(upwash_deg, dtype=float)
    shown = (size + u * NO_UPWASH_FROM_DEG / UPWASH_SPAN_DEG) / (1.0 + u / UPWASH_SPAN_DEG)
    return np.asarray(np.copysign(np.where(size < NO_UPWASH_FROM_DEG, shown, size), awa))


def to_horizontal(
    awa_deg: ArrayLike, aws_kn: ArrayLike, heel_deg: ArrayLike, pitch_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Apparent wind angle and speed in the horizontal plane from those in the plane of a heeled, pitched sensor.

    The cross-component that the sensor measures is short by cos(heel), the fore-and-aft one by cos(pitch). A missing
    heel or pitch leaves its component as it is; beyond `STEEPEST_DEG` the result is NaN. Signs of heel play no part.
    """
    angle = radians(awa_deg)
    aws = np.asarray(aws_kn, dtype=float)
    return polar(aws * np.cos(angle) / _shortening(pitch_deg), aws * np.sin(angle) / _shortening(heel_deg))


def to_sensor_plane(
    awa_deg: ArrayLike, aws_kn: ArrayLike, heel_deg: ArrayLike, pitch_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """The reverse of `to_horizontal`: what a heeled, pitched sensor measures of a horizontal apparent wind."""
    angle = radians(awa_deg)
    aws = np.asarray(aws_kn, dtype=float)
    return polar(aws * np.cos(angle) * _shortening(pitch_deg), aws * np.sin(angle) * _shortening(heel_deg))


def _shortening(tilt_deg: ArrayLike) -> Floats:
    tilt = np.nan_to_num(np.asarray(tilt_deg, dtype=float))
    return np.where(np.abs(tilt) <= STEEPEST_DEG, np.cos(radians(tilt)), np.nan)

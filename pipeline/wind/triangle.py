"""The wind triangle: apparent wind, speed through the water, true wind. Pure functions on arrays, both tacks.

Angles are signed, starboard positive. The boat moves along her course through the water, so angles from the bow are
first turned into angles from the course: `course = heading + leeway`, leeway positive to starboard.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.angles import Floats, half_turn, radians, wrap_180

# With both components below this a wind has no direction: rounding in the triangle alone leaves some 1e-15 kn.
CALM_KN = 1e-9


def from_course(angle_from_bow_deg: ArrayLike, leeway_deg: ArrayLike) -> Floats:
    """Angle from the course through the water of an angle from the bow; `leeway_deg` is positive to starboard."""
    return wrap_180(np.asarray(angle_from_bow_deg, dtype=float) - np.asarray(leeway_deg, dtype=float))


def from_bow(angle_from_course_deg: ArrayLike, leeway_deg: ArrayLike) -> Floats:
    """Angle from the bow of an angle from the course through the water; `leeway_deg` is positive to starboard."""
    return wrap_180(np.asarray(angle_from_course_deg, dtype=float) + np.asarray(leeway_deg, dtype=float))


def true_from_apparent(
    awa_deg: ArrayLike, aws_kn: ArrayLike, bsp_kn: ArrayLike, leeway_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """True wind angle (from the course through the water, degrees) and speed (kn), relative to the water.

    `awa_deg` is taken from the bow, in the horizontal plane; arrays broadcast. An apparent wind of 0 kn needs no angle
    (NaN is taken there). A true wind of 0 kn has the angle NaN. Any other missing value gives NaN in both.
    Source: plane vector triangle, true = apparent - (headwind of the boat's own motion); Smith, Bourassa & Sharp 1999,
    J. Atmos. Oceanic Technol. 16, 939-952, for what a true wind at sea needs.
    """
    return polar(*_true_wind(awa_deg, aws_kn, bsp_kn, leeway_deg))


def true_angle_from_apparent(
    awa_deg: ArrayLike, aws_kn: ArrayLike, bsp_kn: ArrayLike, leeway_deg: ArrayLike = 0.0
) -> Floats:
    """The angle of `true_from_apparent` alone."""
    ahead, abeam = _true_wind(awa_deg, aws_kn, bsp_kn, leeway_deg)
    return np.where(_is_calm(ahead, abeam), np.nan, half_turn(abeam, ahead))


def _true_wind(
    awa_deg: ArrayLike, aws_kn: ArrayLike, bsp_kn: ArrayLike, leeway_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Components of the true wind from ahead and from starboard of the course."""
    aws = np.asarray(aws_kn, dtype=float)
    angle = radians(from_course(awa_deg, leeway_deg))
    angle = np.where(aws == 0.0, 0.0, angle)
    return aws * np.cos(angle) - np.asarray(bsp_kn, dtype=float), aws * np.sin(angle)


def _is_calm(ahead_kn: Floats, abeam_kn: Floats) -> NDArray[np.bool_]:
    return np.maximum(np.abs(ahead_kn), np.abs(abeam_kn)) < CALM_KN


def apparent_from_true(
    twa_deg: ArrayLike, tws_kn: ArrayLike, bsp_kn: ArrayLike, leeway_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Apparent wind angle (from the bow, degrees) and speed (kn), the reverse of `true_from_apparent`.

    `twa_deg` is taken from the course through the water. A true wind of 0 kn needs no angle. An apparent wind of 0 kn
    has the angle NaN.
    """
    tws = np.asarray(tws_kn, dtype=float)
    angle = radians(np.where(tws == 0.0, 0.0, np.asarray(twa_deg, dtype=float)))
    ahead = tws * np.cos(angle) + np.asarray(bsp_kn, dtype=float)
    abeam = tws * np.sin(angle)
    from_course_deg, aws = polar(ahead, abeam)
    return from_bow(from_course_deg, leeway_deg), aws


def velocity_made_good(bsp_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
    """Speed to windward in kn, negative when going to leeward."""
    return np.asarray(np.asarray(bsp_kn, dtype=float) * np.cos(radians(np.asarray(twa_deg, dtype=float))))


def polar(ahead_kn: Floats, abeam_kn: Floats) -> tuple[Floats, Floats]:
    """Signed angle (degrees, NaN in calm) and speed (kn) of a wind by its components from ahead and from starboard."""
    calm = _is_calm(ahead_kn, abeam_kn)
    angle, speed = half_turn(abeam_kn, ahead_kn), np.hypot(ahead_kn, abeam_kn)
    return np.where(calm, np.nan, angle), np.where(calm, 0.0, speed)

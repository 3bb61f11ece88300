"""Wind speed at another height above the sea. The direction is taken as the same at both."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.angles import Floats

Profile = Literal["log", "power"]

# Open sea, Davenport-Wieringa class "sea"; read in Stull's table of roughness lengths.
ROUGHNESS_LENGTH_M = 0.0002
# Near-neutral over the sea: Hsu, Meindl & Gilhousen 1994, J. Appl. Meteor. 33, 757-765 (read second-hand).
POWER_EXPONENT = 0.11


def height_factor(from_m: ArrayLike, to_m: ArrayLike, profile: Profile = "log") -> Floats:
    """Factor by which the true wind speed at `from_m` becomes that at `to_m` (metres above the water).

    `log`: ln(to / z0) / ln(from / z0) with z0 = 0.0002 m, neutral air over open sea; `power`: (to / from)^0.11.
    A missing height gives NaN. Raises `ValueError` for a height not above the roughness length: neither law holds.
    """
    start, end = np.asarray(from_m, dtype=float), np.asarray(to_m, dtype=float)
    if np.any(start <= ROUGHNESS_LENGTH_M) or np.any(end <= ROUGHNESS_LENGTH_M):
        raise ValueError(f"a height must be more than {ROUGHNESS_LENGTH_M} m above the water")
    if profile == "power":
        return np.asarray((end / start) ** POWER_EXPONENT)
    return np.asarray(np.log(end / ROUGHNESS_LENGTH_M) / np.log(start / ROUGHNESS_LENGTH_M))


def at_height(tws_kn: ArrayLike, from_m: ArrayLike, to_m: ArrayLike, profile: Profile = "log") -> Floats:
    """True wind speed at `to_m` from that at `from_m`; see `height_factor`."""
    return np.asarray(tws_kn, dtype=float) * height_factor(from_m, to_m, profile)

"""Magnetic variation from the World Magnetic Model, in the edition that is right for the date."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from pygeomag import GeoMag

from pipeline.angles import Floats

# (first year, end year, coefficient file of pygeomag): World Magnetic Model, NOAA/NCEI; an edition holds five years.
EDITIONS: tuple[tuple[float, float, str], ...] = (
    (2010.0, 2015.0, "wmm/WMM_2010.COF"),
    (2015.0, 2020.0, "wmm/WMM_2015v2.COF"),
    (2020.0, 2025.0, "wmm/WMM_2020.COF"),
    (2025.0, 2030.0, "wmm/WMM_2025.COF"),
)

# The model's own stated error is 0.3 deg and more; within these cells variation moves by some 0.01 deg at sea
# away from the magnetic poles, and millions of samples need a few hundred or thousand evaluations.
CELL_DEG = 0.02
CELL_YEARS = 0.05
_KEY_SPAN = 100_000  # more than the cells of a circle
_ROUNDING = 1e-9  # 2025.0 / 0.05 must not fall into the edition before


class OutOfModel(ValueError):
    """Date or position for which no edition of the model holds."""


def variation_deg(lat_deg: float, lon_deg: float, year: float, height_km: float = 0.0) -> float:
    """Variation in degrees, east positive, at one place and time (`year` as a decimal, such as 2026.5).

    Exact to the model. Raises `OutOfModel` with a sentence where no edition holds for the date or the position is none.
    Source: World Magnetic Model 2010 to 2025 by way of pygeomag; NOAA's test values are in the tests.
    """
    if not (-90.0 <= lat_deg <= 90.0 and -360.0 <= lon_deg <= 360.0):
        raise OutOfModel(f"latitude {lat_deg:g}, longitude {lon_deg:g} is no position on earth")
    return float(_model(_edition(year)).calculate(lat_deg, lon_deg, height_km, year).d)


def variation_along_track(lat_deg: ArrayLike, lon_deg: ArrayLike, year: ArrayLike) -> Floats:
    """Variation for arrays of positions and decimal years of one shape; missing stays missing.

    Evaluated once for every cell of 0.02 deg and 0.05 years, at its centre. Raises `OutOfModel` like `variation_deg`.
    """
    lat, lon, when = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (lat_deg, lon_deg, year)))
    out = np.full(lat.shape, np.nan)
    known = np.isfinite(lat) & np.isfinite(lon) & np.isfinite(when)
    if not known.any():
        return out
    for extreme in (when[known].min(), when[known].max()):
        _edition(float(extreme))
    lat_cell = np.round(lat[known] / CELL_DEG).astype(np.int64)
    lon_cell = np.round(lon[known] / CELL_DEG).astype(np.int64)
    time_cell = np.floor(when[known] / CELL_YEARS + _ROUNDING).astype(np.int64)
    key = (time_cell * _KEY_SPAN + lat_cell) * _KEY_SPAN + lon_cell
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    values = [
        variation_deg(
            float(lat_cell[i] * CELL_DEG), float(lon_cell[i] * CELL_DEG), float((time_cell[i] + 0.5) * CELL_YEARS)
        )
        for i in first
    ]
    out[known] = np.asarray(values)[place.reshape(-1)]
    return out


def _edition(year: float) -> str:
    for first, end, file in EDITIONS:
        if first <= year < end:
            return file
    raise OutOfModel(
        f"the World Magnetic Model at hand holds from {EDITIONS[0][0]:.0f} to {EDITIONS[-1][1]:.0f}, not for {year:.2f}"
    )


@lru_cache(maxsize=len(EDITIONS))
def _model(file: str) -> GeoMag:
    return GeoMag(coefficients_file=file)

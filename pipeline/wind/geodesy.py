"""Distance and courses between positions on the WGS 84 ellipsoid."""

from __future__ import annotations

import numpy as np
from geographiclib.geodesic import Geodesic
from numpy.typing import ArrayLike

from pipeline.angles import Floats, wrap_360

_WANTED = Geodesic.DISTANCE | Geodesic.AZIMUTH


def distance_and_courses(
    lat_deg: ArrayLike, lon_deg: ArrayLike, to_lat_deg: ArrayLike, to_lon_deg: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Length (m) of the shortest way between positions, and its true course (degrees) where it sets out and arrives.

    Degrees, north and east positive; arrays broadcast. A missing coordinate or a latitude beyond the poles gives NaN;
    between equal positions there is no course (NaN). One evaluation takes some 50 us: for marks along a track, not for
    every sample. Source: Karney 2013, J. Geodesy 87, 43-55, by way of geographiclib; good to 15 nm everywhere, near
    antipodes too.
    """
    points = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (lat_deg, lon_deg, to_lat_deg, to_lon_deg)))
    flat = np.stack([p.ravel() for p in points]) if points[0].size else np.zeros((4, 0))
    out = np.full((3, flat.shape[1]), np.nan)
    known = np.isfinite(flat).all(axis=0) & (np.abs(flat[[0, 2]]) <= 90.0).all(axis=0)
    for i in np.flatnonzero(known):
        line = Geodesic.WGS84.Inverse(*(float(v) for v in flat[:, i]), _WANTED)
        out[:, i] = line["s12"], line["azi1"], line["azi2"]
    distance_m = out[0].reshape(points[0].shape)
    no_course = distance_m == 0.0
    set_out, arrive = (np.where(no_course, np.nan, wrap_360(a.reshape(points[0].shape))) for a in out[1:])
    return distance_m, set_out, arrive

"""Speeds of all sets at any wind, from the fit's grid: means, joint draws, and where each set is supported."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.surfaces.season import SeasonFit

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Places:
    """Where winds fall in the grid: the four nodes about each (4, n) as flat numbers, and their weights (4, n).

    `inside`: whether the place lies within the grid; outside it the nearest edge is used.
    """

    node: Ints
    weight: Floats
    inside: Bools


def places_of(fit: SeasonFit, tws_kn: Floats, twa_deg: Floats) -> Places:
    """Bilinear places in the grid of true wind speed (kn) and angle (degrees, either tack); NaN is outside."""
    i, along_tws, inside_tws = _cell(fit.tws_kn, tws_kn)
    j, along_twa, inside_twa = _cell(fit.twa_deg, np.abs(twa_deg))
    width = len(fit.twa_deg)
    first = i * width + j
    node = np.stack([first, first + 1, first + width, first + width + 1])
    weight = np.stack(
        [
            (1 - along_tws) * (1 - along_twa),
            (1 - along_tws) * along_twa,
            along_tws * (1 - along_twa),
            along_tws * along_twa,
        ]
    )
    return Places(node, weight, inside_tws & inside_twa)


def _cell(grid: Floats, value: Floats) -> tuple[Ints, Floats, Bools]:
    value = np.asarray(value, dtype=float)
    inside = (value >= grid[0]) & (value <= grid[-1])
    held = np.clip(np.where(np.isfinite(value), value, grid[0]), grid[0], grid[-1])
    at = np.clip(np.searchsorted(grid, held, side="right") - 1, 0, len(grid) - 2)
    return at.astype(np.int64), (held - grid[at]) / (grid[at + 1] - grid[at]), inside


def look_up(values: Floats, places: Places) -> Floats:
    """`values` (..., tws, twa) at the places: (..., n). NaN where a node that matters is NaN, and outside the grid."""
    flat = values.reshape(*values.shape[:-2], -1)
    out = np.zeros((*values.shape[:-2], places.node.shape[1]))
    for node, weight in zip(places.node, places.weight, strict=True):
        out += np.where(weight > 0.0, flat[..., node], 0.0) * weight
    return np.where(places.inside, out, np.nan)


def supported_at(fit: SeasonFit, places: Places) -> Bools:
    """Whether each set (sets, n) is supported there: on nodes with at least half of the weight, and given on all."""
    share = look_up(fit.supported.astype(float), places)
    given = np.isfinite(look_up(fit.log_speed, places))
    return given & (np.nan_to_num(share) >= 0.5 - 1e-9)

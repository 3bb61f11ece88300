"""The designer's borders on the lines of our lattice, in our wind: reference height, course through the water."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from pipeline.angles import Floats
from pipeline.crossovers.crossing import runs

Bools = NDArray[np.bool_]

# How finely a line is walked, and how far apart (or overlapping) two designed areas may lie and still share a border.
STEP = {"tws_kn": 0.02, "twa_deg": 0.1}
JOIN = {"tws_kn": 1.5, "twa_deg": 6.0}
# A line is walked this much beside the lattice, so that an edge drawn along the lattice falls to one side.
ASIDE = 1e-6


@dataclass(frozen=True, slots=True)
class DesignedBorder:
    """set_b follows set_a as `along` grows, at `designed`."""

    set_a: str
    set_b: str
    along: str
    at: float
    designed: float


Membership = Callable[[Floats, Floats], Bools]


def areas(designed: pl.DataFrame | None, speeds: pl.DataFrame | None) -> tuple[tuple[str, ...], Membership] | None:
    """Sets of the chart and a function (tws_kn, twa_deg) -> (sets, n) whether a place is in each set's area."""
    if designed is not None and designed.height:
        return _areas_from_rings(designed)
    if speeds is not None and speeds.height:
        return _areas_from_speeds(speeds)
    return None


def _areas_from_rings(designed: pl.DataFrame) -> tuple[tuple[str, ...], Membership]:
    rings: dict[str, list[tuple[Floats, Floats]]] = {}
    for (sail_set, _), part in designed.group_by(["sail_set", "part"], maintain_order=True):
        xy = part.select("tws_kn", "twa_deg").to_numpy().astype(float)
        rings.setdefault(str(sail_set), []).append((xy[:, 0], xy[:, 1]))
    names = tuple(sorted(rings))

    def inside(tws_kn: Floats, twa_deg: Floats) -> Bools:
        return np.stack([_even_odd(rings[name], tws_kn, twa_deg) for name in names])

    return names, inside


def _even_odd(rings: list[tuple[Floats, Floats]], x: Floats, y: Floats) -> Bools:
    """Even-odd rule over all rings of a set: a place is inside when a ray crosses an odd number of edges."""
    odd = np.zeros(len(x), dtype=bool)
    for px, py in rings:
        for x0, y0, x1, y1 in zip(px, py, np.roll(px, -1), np.roll(py, -1), strict=True):
            if y0 == y1:
                continue
            spans = (y0 > y) != (y1 > y)
            odd ^= spans & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return odd


def _areas_from_speeds(speeds: pl.DataFrame) -> tuple[tuple[str, ...], Membership]:
    names = tuple(sorted(speeds["sail_set"].unique().to_list()))
    tables = [speed_table(speeds.filter(pl.col("sail_set") == name)) for name in names]

    def inside(tws_kn: Floats, twa_deg: Floats) -> Bools:
        each = np.stack([table(np.column_stack([tws_kn, twa_deg])) for table in tables])
        ranked = np.where(np.isfinite(each), each, -np.inf)
        best = np.argmax(ranked, axis=0)
        return (np.arange(len(names))[:, None] == best) & np.isfinite(ranked.max(axis=0))

    return names, inside


def speed_table(rows: pl.DataFrame) -> RegularGridInterpolator:
    """Speed bilinear between the table's winds and angles, NaN outside or where an entry is missing."""
    tws, twa = (np.unique(rows[c].to_numpy()) for c in ("tws_kn", "twa_deg"))
    grid = np.full((max(len(tws), 2), max(len(twa), 2)), np.nan)
    i, j = np.searchsorted(tws, rows["tws_kn"].to_numpy()), np.searchsorted(twa, rows["twa_deg"].to_numpy())
    grid[i, j] = rows["bsp_kn"].to_numpy()
    # A table of one wind or one angle is held in a sliver so that the interpolator takes it.
    tws = tws if len(tws) > 1 else np.array([tws[0], tws[0] + 1e-9])
    twa = twa if len(twa) > 1 else np.array([twa[0], twa[0] + 1e-9])
    return RegularGridInterpolator((tws, twa), grid, bounds_error=False, fill_value=np.nan)


def borders_along(
    names: tuple[str, ...],
    inside: Membership,
    along: str,
    at: float,
    low: float,
    high: float,
    to_designed: Callable[[Floats, Floats], tuple[Floats, Floats]],
) -> list[DesignedBorder]:
    """Borders on one line. `to_designed` turns our (tws_kn, twa_deg) into the designer's."""
    x = np.arange(low, high + 0.5 * STEP[along], STEP[along]) + 0.5 * STEP[along]
    other = np.full(len(x), at + ASIDE)
    tws, twa = (x, other) if along == "tws_kn" else (other, x)
    member = inside(*to_designed(tws, twa))
    spans = [
        (x[r.start] - 0.5 * STEP[along], x[r.stop - 1] + 0.5 * STEP[along], k)
        for k in range(len(names))
        for r in runs(member[k])
    ]
    out = []
    for start_a, end_a, a in spans:
        for start_b, end_b, b in spans:
            if a == b or not (start_a < start_b and end_a < end_b) or abs(start_b - end_a) > JOIN[along]:
                continue
            middle = 0.5 * (end_a + start_b)
            third = any(s <= middle <= e and k not in (a, b) for s, e, k in spans)
            if not third and low < middle < high:
                out.append(DesignedBorder(names[a], names[b], along, at, round(float(middle), 6)))
    return out

"""Order of our border finder against contourpy's contours and against exact answers.

Second order is what linear interpolation on a grid reaches (errors fall to a quarter when the grid is halved); the
spline along our lines must do at least as well. Franke's function: Franke 1979, NPS-53-79-003 (formula from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from contourpy import contour_generator
from scipy.optimize import brentq

from pipeline.crossovers.crossing import crossings

Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


def circle(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(x**2 + y**2 - 1.0)


def franke_level(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
        - 0.5
    )


def found_along_rows(field: Field, axis: np.ndarray) -> list[tuple[float, float]]:
    """Our crossings along every row of the grid, as points."""
    out = []
    for y in axis:
        d = field(axis, np.full_like(axis, y))
        out += [(c.at, float(y)) for c in crossings(axis, d, np.repeat(d[None], 3, axis=0))]
    return out


def contour_along_rows(field: Field, axis: np.ndarray) -> list[tuple[float, float]]:
    """Where contourpy's line passes the rows of the grid."""
    x, y = np.meshgrid(axis, axis)
    points = np.concatenate(contour_generator(axis, axis, field(x, y)).lines(0.0))
    on_row = np.abs(points[:, 1, None] - axis).min(axis=1) < 1e-12
    return [tuple(p) for p in points[on_row]]


def worst_radius(points: list[tuple[float, float]]) -> float:
    return max(abs(np.hypot(*p) - 1.0) for p in points)


def test_circle_to_second_order_at_least() -> None:
    errors, theirs = [], []
    for n in (21, 41, 81):
        axis = np.linspace(-2.0, 2.0, n) + 0.003  # so that no node lies on the circle
        errors.append(worst_radius(found_along_rows(circle, axis)))
        theirs.append(worst_radius(contour_along_rows(circle, axis)))
    for coarse, fine in pairwise(errors):
        assert coarse / fine > 3.5
    assert all(a < b for a, b in zip(errors, theirs, strict=True))


def test_circle_is_found_where_contourpy_finds_it() -> None:
    axis = np.linspace(-2.0, 2.0, 41) + 0.003
    found = (found_along_rows(circle, axis), contour_along_rows(circle, axis))
    ours, theirs = (np.array(sorted(f, key=lambda p: (round(p[1], 9), p[0]))) for f in found)
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < 0.05  # half a step


def test_linear_field_is_exact() -> None:
    # Z = TWA - (160 - 4 TWS): any contouring of first order finds its line exactly.
    tws = np.arange(6.0, 20.0)
    for twa in (92.0, 110.0, 131.0):
        d = twa - (160.0 - 4.0 * tws)
        found = crossings(tws, d, np.repeat(d[None], 3, axis=0))
        assert [c.at for c in found] == [pytest.approx((160.0 - twa) / 4.0, abs=1e-12)]
        lines = contour_generator(tws, np.array([twa - 1, twa + 1]), np.stack([d - 1, d + 1])).lines(0.0)
        assert np.interp(
            twa, *np.concatenate(lines)[:, ::-1][np.argsort(np.concatenate(lines)[:, 1])].T
        ) == pytest.approx(found[0].at, abs=1e-12)


def test_curved_level_line_of_franke_converges() -> None:
    errors = []
    for n in (17, 33, 65):
        axis = np.linspace(0.0, 1.0, n)
        worst, count = 0.0, 0
        for y in np.linspace(0.0, 1.0, 17):
            d = franke_level(axis, np.full_like(axis, y))
            for c in crossings(axis, d, np.repeat(d[None], 3, axis=0)):
                at = brentq(lambda x, y=y: float(franke_level(np.float64(x), np.float64(y))), c.at - 0.03, c.at + 0.03)
                worst, count = max(worst, abs(at - c.at)), count + 1
        assert count >= 8
        errors.append(worst)
    assert errors[0] / errors[1] > 3.5 and errors[1] / errors[2] > 3.5

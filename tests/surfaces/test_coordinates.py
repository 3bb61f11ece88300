"""The coordinates of the surfaces and the splines on them, against what splines and calculus demand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces.coordinates import Axis, Lattice, angle_coordinate, angle_stretch, wind_coordinate

LATTICE = Lattice(Axis.over(2.0, 5.0, 0.55), Axis.over(*angle_coordinate(np.array([25.0, 180.0])), 15.0))


def test_basis_adds_up_to_one() -> None:
    # Partition of unity of B-splines.
    _, values = Axis.over(0.0, 10.0, 1.3).rows(np.linspace(0.0, 10.0, 101))
    assert values.sum(axis=1) == pytest.approx(1.0, abs=1e-12)


def test_angle_coordinate_rises_without_jumps() -> None:
    twa = np.arange(5.0, 180.001, 0.01)
    step = np.diff(angle_coordinate(twa))
    assert (step > 0).all() and step.max() < 0.2
    assert angle_coordinate(np.array([-60.0])) == angle_coordinate(np.array([60.0]))


@pytest.mark.parametrize("twa_deg", [30.0, 60.0, 89.0, 100.0, 130.0, 149.0, 170.0])
def test_stretch_is_the_slope_of_the_coordinate(twa_deg: float) -> None:
    around = angle_coordinate(np.array([twa_deg - 0.01, twa_deg + 0.01]))
    assert angle_stretch(np.array([twa_deg]))[0] == pytest.approx((around[1] - around[0]) / 0.02, rel=1e-4)


@pytest.mark.parametrize("axis", ["d_wind", "d_angle"])
def test_derivative_rows_agree_with_differences(axis: str) -> None:
    rng = np.random.default_rng(0)
    coefficients = rng.normal(size=LATTICE.size)
    wind, twa = rng.uniform(2.2, 4.8, 30), rng.uniform(35, 170, 30)

    def value(w: np.ndarray, a: np.ndarray, **derivative: int) -> np.ndarray:
        index, weights = LATTICE.rows(w, a, **derivative)
        return (coefficients[index] * weights).sum(axis=1)

    h = 1e-5
    dw, da = (h, 0.0) if axis == "d_wind" else (0.0, h)
    difference = (value(wind + dw, twa + da) - value(wind - dw, twa - da)) / (2 * h)
    assert value(wind, twa, **{axis: 1}) == pytest.approx(difference, rel=1e-4, abs=1e-6)


def test_wind_coordinate_is_the_root() -> None:
    assert wind_coordinate(np.array([0.0, 9.0, 16.0])) == pytest.approx([0.0, 3.0, 4.0])

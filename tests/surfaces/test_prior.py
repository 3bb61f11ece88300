"""What the surfaces' prior holds before any window: falls, and that its derivatives are its own."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces import parameters, prior
from pipeline.surfaces.components import HULL, lay_out
from pipeline.surfaces.coordinates import Axis, Lattice, angle_coordinate, wind_coordinate

CENTRE_TWS_KN, CENTRE_TWA_DEG = 12.0, 100.0


@pytest.fixture(scope="module")
def layout():
    low, high = wind_coordinate(np.array([2.0, 30.0]))
    near, deep = angle_coordinate(np.array([30.0, 175.0]))
    lattice = Lattice(Axis.over(low, high, 0.3), Axis.over(near, deep, 6.0))
    tws, twa = (x.ravel() for x in np.meshgrid(np.arange(2.0, 31.0), np.arange(30.0, 176.0, 5.0)))
    centre = (float(wind_coordinate(CENTRE_TWS_KN)), float(angle_coordinate(CENTRE_TWA_DEG)))
    members = {HULL: (tws, twa), "set A": (tws, twa)}
    return lay_out(members, {"A": (HULL, "set A")}, lattice, lattice, {}, {"set A": centre})


def test_a_set_is_expected_to_fall_off_away_from_its_centre_on_every_side(layout) -> None:
    tws = np.array([CENTRE_TWS_KN, 5.0, 25.0, CENTRE_TWS_KN, CENTRE_TWS_KN])
    twa = np.array([CENTRE_TWA_DEG, CENTRE_TWA_DEG, CENTRE_TWA_DEG, 65.0, 135.0])
    mean = layout.rows(["set A"], tws, twa) @ prior.prior_mean(layout).at(parameters.named(parameters.PRIOR_MEAN))
    assert mean[0] == pytest.approx(0.0, abs=0.005)
    assert (mean[1:] < -0.01).all()


def test_the_boat_slows_in_light_air_and_close_to_the_wind_and_hardly_elsewhere(layout) -> None:
    tws, twa = np.array([12.0, 3.0, 12.0, 12.0]), np.array([90.0, 90.0, 33.0, 120.0])
    mean = prior.prior_mean(layout).at(parameters.named(parameters.PRIOR_MEAN))
    beam, light, close, broad = layout.rows([HULL], tws, twa) @ mean
    assert light < beam - 0.5 and close < beam - 0.3
    assert broad == pytest.approx(beam, abs=0.02)


@pytest.mark.parametrize("number", [0, 1])
def test_derivatives_are_those_of_the_covariance(layout, number: int) -> None:
    part, step = layout.components[number], 1e-5
    theta = parameters.named(parameters.PRIOR_MEAN)
    _, derivatives = prior.component_covariance(part, theta, 3.4)
    for name, given in derivatives.items():
        up, down = (
            prior.component_covariance(part, theta | {name: theta[name] * np.exp(s)}, 3.4)[0] for s in (step, -step)
        )
        assert np.allclose((up - down) / (2.0 * step), given, atol=1e-6)


def test_derivatives_of_the_mean_are_its_own(layout) -> None:
    theta, step, mean = parameters.named(parameters.PRIOR_MEAN), 1e-5, prior.prior_mean(layout)
    derivatives = mean.derivatives(theta)
    assert set(derivatives) == set(prior.FALLS)
    for name, given in derivatives.items():
        up, down = (mean.at(theta | {name: theta[name] * np.exp(s)}) for s in (step, -step))
        assert np.abs(given).max() > 0.01
        assert np.allclose((up - down) / (2.0 * step), given, atol=1e-8)

"""Published and exactly known values of wind triangle, wind with height, leeway and heading arithmetic."""

import numpy as np
import pytest

from pipeline.wind.height import at_height
from pipeline.wind.leeway import leeway_size_deg
from pipeline.wind.triangle import apparent_from_true, true_from_apparent, velocity_made_good


def test_boat_as_fast_as_the_wind_halves_the_angle() -> None:
    # geometry: AWA = TWA / 2, AWS = 2 TWS cos(TWA / 2)
    twa = np.array([30.0, 60.0, 90.0, 120.0, 150.0])
    awa, aws = apparent_from_true(twa, 10.0, 10.0)
    np.testing.assert_allclose(awa, twa / 2, atol=1e-9)
    np.testing.assert_allclose(aws, 20.0 * np.cos(np.radians(twa / 2)), atol=1e-9)
    np.testing.assert_allclose(aws, [19.318517, 17.320508, 14.142136, 10.0, 5.176381], atol=5e-7)


def test_three_four_five() -> None:
    awa, aws = apparent_from_true([90.0, -90.0], 4.0, 3.0)
    np.testing.assert_allclose(aws, 5.0, atol=1e-12)
    np.testing.assert_allclose(awa, [53.130102354, -53.130102354], atol=1e-8)


def test_worked_example_of_a_sailing_forum() -> None:
    # forums.sailboatowners.com, thread 51090: AWA 60, AWS 10, boat 5 -> "about 8 2/3 knots"; exact by geometry
    twa, tws = true_from_apparent(60.0, 10.0, 5.0)
    assert (float(twa), float(tws)) == (pytest.approx(90.0, abs=1e-9), pytest.approx(8.660254038, abs=1e-9))


def test_apparent_wind_abeam() -> None:
    # exactly when cos TWA = -boat / TWS
    awa, aws = apparent_from_true(120.0, 10.0, 5.0)
    assert (float(awa), float(aws)) == (pytest.approx(90.0, abs=1e-9), pytest.approx(8.660254038, abs=1e-9))


def test_head_to_wind_and_dead_before_it() -> None:
    assert float(apparent_from_true(0.0, 8.0, 6.0)[1]) == pytest.approx(14.0)
    awa, aws = apparent_from_true([180.0, 180.0], [8.0, 6.0], [6.0, 8.0])
    np.testing.assert_allclose(aws, 2.0, atol=1e-12)
    np.testing.assert_allclose(np.abs(awa), [180.0, 0.0], atol=1e-9)


def test_naval_example() -> None:
    # heading 240, relative wind 040 at 30 kn, ship 18 kn (from memory): published "from 315, 20 kn", a plotted answer
    twa, tws = true_from_apparent(40.0, 30.0, 18.0)
    assert abs((240.0 + float(twa)) % 360.0 - 315.0) < 1.0
    assert abs(float(tws) - 20.0) < 0.5


@pytest.mark.parametrize(
    ("height_m", "log_kn", "power_kn"),
    [
        (5, 9.359370, 9.265881),
        (8, 9.793763, 9.757530),
        (15, 10.374744, 10.456107),
        (20, 10.640630, 10.792282),
        (25, 10.846867, 11.060465),
        (30, 11.015374, 11.284526),
    ],
)
def test_wind_with_height(height_m: float, log_kn: float, power_kn: float) -> None:
    # 10 kn at 10 m; log law z0 = 0.0002 m, power law 0.11 (Hsu et al. 1994); computed with windpowerlib 0.2.2
    assert float(at_height(10.0, 10.0, height_m)) == pytest.approx(log_kn, abs=1e-6)
    assert float(at_height(10.0, 10.0, height_m, "power")) == pytest.approx(power_kn, abs=1e-6)


def test_leeway_rule_of_navigators() -> None:
    # k = 8: 20 deg at 6 kn -> 4.44 deg; Garrett 1987, 464 sin(heel) / V^2 for one 12.2 m boat -> 4.41 deg
    ours = float(leeway_size_deg(20.0, 6.0, 45.0, 8.0))
    assert ours == pytest.approx(4.44, abs=0.005)
    assert ours == pytest.approx(464.0 * np.sin(np.radians(20.0)) / 36.0, abs=0.05)


def test_velocity_made_good() -> None:
    # plain arithmetic
    assert float(velocity_made_good(7.2, 42.0)) == pytest.approx(5.350643, abs=1e-6)
    assert float(velocity_made_good(8.5, 150.0)) == pytest.approx(-7.361216, abs=1e-6)

"""Limits of the wind triangle where angles are undefined, directions by the weather's convention, wind profile."""

import numpy as np
import pytest
import windpowerlib
from metpy.calc import wind_direction
from metpy.units import units

from pipeline.angles import wrap_360
from pipeline.wind.current import wind_over_ground
from pipeline.wind.height import ROUGHNESS_LENGTH_M, at_height, height_factor
from pipeline.wind.triangle import apparent_from_true, true_from_apparent


def test_running_dead_at_the_speed_of_the_wind_has_no_apparent_angle() -> None:
    # plain arithmetic: |TWS - boat| = 0, where the bare formula leaves 7e-16 kn and a meaningless 90 deg
    for speed in (3.3, 8.0, 17.7):
        awa, aws = apparent_from_true([180.0, -180.0], speed, speed)
        np.testing.assert_array_equal(aws, 0.0)
        assert np.isnan(awa).all()
    assert np.isnan(true_from_apparent(0.0, 6.0, 6.0)[0])  # apparent wind all of the boat's own making


def test_naval_example_exactly() -> None:
    # heading 240, relative wind 040 at 30 kn, ship 18 kn (from memory): the triangle's exact answer
    twa, tws = true_from_apparent(40.0, 30.0, 18.0)
    assert float(wrap_360(240.0 + twa)) == pytest.approx(315.516, abs=5e-4)
    assert float(tws) == pytest.approx(19.9166, abs=5e-5)


def test_directions_are_where_the_wind_comes_from() -> None:
    # Smith, Bourassa & Sharp 1999; MetPy: (u, v) = (0, -5) is a wind from 360. Ours folds to 0 and calls calm missing
    metpy = wind_direction(0.0 * units("m/s"), -5.0 * units("m/s")).to("deg").magnitude
    ours, speed = wind_over_ground([360.0, 90.0], [5.0, 0.0], np.nan, 0.0)
    assert float(metpy) == 360.0
    assert float(ours[0]) == pytest.approx(float(metpy) % 360.0, abs=1e-12)
    assert (float(speed[0]), float(speed[1])) == (5.0, 0.0)
    assert np.isnan(ours[1])


@pytest.mark.parametrize(("speed", "expected"), [(5.0, 7.74136523), (6.5, 10.0637748)])
def test_log_law_of_windpowerlib_s_own_test(speed: float, expected: float) -> None:
    # windpowerlib's test of logarithmic_profile: 10 m to 100 m over z0 = 0.15 m. Only z / z0 enters the law, so over
    # our z0 the same factor belongs to heights shorter by 0.0002 / 0.15.
    scale = ROUGHNESS_LENGTH_M / 0.15
    assert float(at_height(speed, 10.0 * scale, 100.0 * scale)) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("height_m", [5, 8, 15, 20, 25, 30])
def test_profile_table_equals_windpowerlib(height_m: float) -> None:
    # windpowerlib 0.2.2: 10 kn at 10 m; the choice of law matters less than 2.6 per cent up to 30 m, stability more
    # (exponents 0.06 to 0.27 in pvlib's table)
    ten = np.array([10.0])
    log = windpowerlib.wind_speed.logarithmic_profile(ten, 10.0, float(height_m), ROUGHNESS_LENGTH_M)
    power = windpowerlib.wind_speed.hellman(ten, 10.0, float(height_m), hellman_exponent=0.11)
    np.testing.assert_allclose(at_height(ten, 10.0, height_m), log, rtol=1e-13)
    np.testing.assert_allclose(at_height(ten, 10.0, height_m, "power"), power, rtol=1e-13)
    assert abs(float(log[0] / power[0]) - 1.0) < 0.026


def test_one_seventh_column() -> None:
    # the table's third column, plain arithmetic on our power law: (z / 10)^(1/7) = ((z / 10)^0.11)^(1 / 0.77)
    expected = {5: 9.057237, 8: 9.686251, 15: 10.596340, 20: 11.040895, 25: 11.398523, 30: 11.699308}
    for height_m, speed in expected.items():
        assert 10.0 * float(height_factor(10.0, height_m, "power")) ** (1 / 0.77) == pytest.approx(speed, abs=1e-6)

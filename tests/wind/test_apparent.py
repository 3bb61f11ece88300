import numpy as np
import pytest

from pipeline.units import KN_PER_MS
from pipeline.wind.apparent import (
    to_horizontal,
    to_sensor_plane,
    with_offset,
    with_upwash,
    without_masthead_motion,
    without_upwash,
)

ANGLES = np.array([-170.0, -121.0, -119.0, -60.0, -25.0, 25.0, 60.0, 119.0, 121.0, 170.0])


def test_offset_is_added_and_folded() -> None:
    np.testing.assert_allclose(with_offset([30.0, -30.0, 179.0], 2.0), [32.0, -28.0, -179.0])


def test_upwash_is_taken_from_the_size_of_the_angle() -> None:
    # formats: u x (120 - |AWA|) / 90 below 120 deg, 0 beyond
    np.testing.assert_allclose(without_upwash([30.0, -30.0], 3.0), [27.0, -27.0])
    np.testing.assert_allclose(without_upwash([75.0, -75.0], 3.0), [73.5, -73.5])
    np.testing.assert_allclose(without_upwash([120.0, 150.0, -150.0], 3.0), [120.0, 150.0, -150.0])


def test_upwash_never_crosses_the_bow() -> None:
    assert without_upwash(1.0, 5.0) == 0.0


def test_upwash_round_trip() -> None:
    np.testing.assert_allclose(without_upwash(with_upwash(ANGLES, 3.0), 3.0), ANGLES, atol=1e-12)


@pytest.mark.parametrize("heel_deg", [-25.0, 25.0])
def test_heel_shortens_the_cross_component_only(heel_deg: float) -> None:
    awa, aws = to_horizontal(90.0, 10.0 * np.cos(np.radians(25.0)), heel_deg, 0.0)
    assert awa == pytest.approx(90.0)
    assert aws == pytest.approx(10.0)
    ahead = to_horizontal(0.0, 10.0, heel_deg, 0.0)
    assert float(ahead[1]) == pytest.approx(10.0)


def test_pitch_shortens_the_fore_and_aft_component_only() -> None:
    _, aws = to_horizontal(0.0, 10.0 * np.cos(np.radians(6.0)), 0.0, 6.0)
    assert aws == pytest.approx(10.0)


def test_sensor_plane_round_trip_on_both_tacks() -> None:
    awa, aws = to_horizontal(*to_sensor_plane(ANGLES, 17.0, 22.0, 3.0), 22.0, 3.0)
    np.testing.assert_allclose(awa, ANGLES, atol=1e-10)
    np.testing.assert_allclose(aws, 17.0, atol=1e-12)


def test_missing_tilt_leaves_the_wind_as_it_is_and_a_knockdown_makes_it_unknown() -> None:
    awa, aws = to_horizontal([40.0, 40.0], 12.0, [np.nan, 85.0], np.nan)
    np.testing.assert_allclose([awa[0], aws[0]], [40.0, 12.0])
    assert np.isnan(awa[1])


def test_masthead_swinging_to_starboard_makes_wind_from_starboard() -> None:
    # 20 m x 5 deg/s = 1.745 m/s
    swing_kn = np.radians(5.0) * 20.0 * KN_PER_MS
    awa, aws = without_masthead_motion(np.degrees(np.arctan2(swing_kn, 10.0)), np.hypot(10.0, swing_kn), 5.0, 0.0, 20.0)
    assert awa == pytest.approx(0.0, abs=1e-10)
    assert aws == pytest.approx(10.0)


def test_bow_coming_up_moves_the_masthead_aft() -> None:
    swing_kn = np.radians(3.0) * 20.0 * KN_PER_MS
    _, aws = without_masthead_motion(0.0, 10.0 - swing_kn, np.nan, 3.0, 20.0)
    assert aws == pytest.approx(10.0)

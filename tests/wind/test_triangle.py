import numpy as np
import pytest

from pipeline.wind.triangle import apparent_from_true, from_bow, from_course, true_from_apparent, velocity_made_good

BOTH_TACKS = np.concatenate((np.arange(-179.0, 0.0, 7.0), np.arange(2.0, 180.0, 7.0)))


@pytest.mark.parametrize("leeway_deg", [0.0, 4.0, -4.0])
def test_round_trip_on_both_tacks(leeway_deg: float) -> None:
    awa, aws = apparent_from_true(BOTH_TACKS, 14.0, 7.5, leeway_deg)
    twa, tws = true_from_apparent(awa, aws, 7.5, leeway_deg)
    np.testing.assert_allclose(twa, BOTH_TACKS, atol=1e-10)
    np.testing.assert_allclose(tws, 14.0, atol=1e-12)


def test_tacks_mirror_each_other() -> None:
    starboard = true_from_apparent(33.0, 18.0, 7.0, -5.0)
    port = true_from_apparent(-33.0, 18.0, 7.0, 5.0)
    assert starboard[0] == pytest.approx(-port[0], abs=1e-12)
    assert starboard[1] == pytest.approx(port[1], abs=1e-12)


def test_leeway_to_leeward_widens_the_angle_from_the_course() -> None:
    # wind from starboard, the boat slips to port: leeway is negative
    assert from_course(30.0, -4.0) == pytest.approx(34.0)
    assert from_course(-30.0, 4.0) == pytest.approx(-34.0)
    assert from_bow(34.0, -4.0) == pytest.approx(30.0)


def test_undefined_angles_are_missing() -> None:
    awa, aws = apparent_from_true(180.0, 8.0, 8.0)
    assert np.isnan(awa)
    assert aws == 0.0
    twa, tws = true_from_apparent(0.0, 6.0, 6.0)
    assert np.isnan(twa)
    assert tws == 0.0


def test_no_apparent_wind_needs_no_angle() -> None:
    twa, tws = true_from_apparent(np.nan, 0.0, 6.0)
    assert abs(twa) == pytest.approx(180.0)
    assert tws == pytest.approx(6.0)


def test_missing_stays_missing() -> None:
    nan = np.nan
    twa, tws = true_from_apparent(
        [nan, 30.0, 30.0, 30.0], [12.0, nan, 12.0, 12.0], [6.0, 6.0, nan, 6.0], [0, 0, 0, nan]
    )
    assert np.isnan(twa).all()
    assert np.isnan(tws).all()


def test_velocity_made_good_is_negative_to_leeward() -> None:
    assert velocity_made_good(8.5, 150.0) < 0 < velocity_made_good(7.2, -42.0)

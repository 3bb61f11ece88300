import numpy as np
import pytest

from pipeline.wind.current import over_ground, set_and_drift, wind_over_ground
from pipeline.wind.height import at_height, height_factor


def test_same_height_changes_nothing_and_back_again_neither() -> None:
    assert height_factor(20.0, 20.0) == 1.0
    assert at_height(at_height(12.0, 22.0, 10.0), 10.0, 22.0) == pytest.approx(12.0)


def test_heights_without_meaning_are_refused() -> None:
    with pytest.raises(ValueError, match="above the water"):
        height_factor(0.0, 10.0)


@pytest.mark.parametrize("leeway_deg", [-4.0, 0.0, 4.0])
def test_set_and_drift_round_trip(leeway_deg: float) -> None:
    hdg = np.arange(0.0, 360.0, 17.0)
    cog, sog = over_ground(hdg + leeway_deg, 7.0, 205.0, 1.3)
    set_deg, drift_kn = set_and_drift(hdg, leeway_deg, 7.0, sog, cog)
    np.testing.assert_allclose(set_deg, 205.0, atol=1e-9)
    np.testing.assert_allclose(drift_kn, 1.3, atol=1e-12)


def test_no_current_has_no_direction() -> None:
    set_deg, drift_kn = set_and_drift(45.0, 0.0, 6.0, 6.0, 45.0)
    assert np.isnan(set_deg)
    assert drift_kn == 0.0


def test_wind_over_ground() -> None:
    # 10 kn from north over water that itself runs south at 2 kn: 12 kn over ground
    direction, speed = wind_over_ground(0.0, 10.0, 180.0, 2.0)
    assert float(direction) % 360.0 == pytest.approx(0.0, abs=1e-9)
    assert speed == pytest.approx(12.0)
    # calm on the water that is carried along: wind over ground comes from where the current comes from
    direction, speed = wind_over_ground(np.nan, 0.0, 90.0, 2.0)
    assert (float(direction), float(speed)) == (pytest.approx(270.0), pytest.approx(2.0))

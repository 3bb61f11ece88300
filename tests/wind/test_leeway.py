import numpy as np
import pytest

from pipeline.wind import leeway
from pipeline.wind.leeway import MOST_DEG, leeway_size_deg, true_wind_with_leeway
from pipeline.wind.triangle import true_from_apparent


def test_bounded_at_every_speed() -> None:
    speed = np.concatenate(([0.0], np.logspace(-12, 1.5, 200)))
    size = leeway_size_deg(25.0, speed, 45.0, 8.0)
    assert np.isfinite(size).all()
    assert size.max() == MOST_DEG
    assert (np.diff(size) <= 1e-12).all()


def test_no_heel_no_leeway_even_when_lying_still() -> None:
    np.testing.assert_array_equal(leeway_size_deg([0.0, 0.0, -10.0], [0.0, 6.0, 6.0], 45.0, 8.0), 0.0)


def test_fades_off_the_wind() -> None:
    np.testing.assert_allclose(
        leeway_size_deg(20.0, 8.0, [60.0, 90.0, 120.0, 150.0, -170.0], 8.0), [2.5, 2.5, 1.25, 0, 0]
    )


def test_goes_to_leeward_by_the_wind_not_by_the_sign_of_heel() -> None:
    leeway, twa, _ = true_wind_with_leeway([30.0, -30.0, 30.0, -30.0], 18.0, 7.0, [-20.0, 20.0, 20.0, -20.0], 8.0)
    assert leeway[0] < 0 < leeway[1]
    assert leeway[0] == pytest.approx(-leeway[1])
    assert twa[0] == pytest.approx(-twa[1])
    np.testing.assert_array_equal(leeway[2:], 0.0)  # heeled to windward


@pytest.mark.parametrize("bsp_kn", [0.2, 1.0, 3.0, 8.0, 16.0])
def test_leeway_agrees_with_the_angle_it_gives(bsp_kn: float) -> None:
    awa = np.linspace(20.0, 175.0, 300)
    leeway, twa, tws = true_wind_with_leeway(awa, 14.0, bsp_kn, -18.0, 8.0)
    np.testing.assert_allclose(-leeway, leeway_size_deg(18.0, bsp_kn, twa, 8.0), atol=2e-5)
    np.testing.assert_allclose(true_from_apparent(awa, 14.0, bsp_kn, leeway)[1], tws, atol=1e-9)


def test_missing_heel_gives_none_missing_wind_stays_missing() -> None:
    leeway, twa, _ = true_wind_with_leeway([30.0, np.nan, 30.0], 15.0, [6.0, 6.0, np.nan], [np.nan, -10.0, -10.0], 8.0)
    assert leeway[0] == 0.0
    assert np.isfinite(twa[0])
    assert np.isnan(leeway[1:]).all()
    assert np.isnan(twa[1:]).all()


def test_chords_end_where_bisection_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    n = 20_000
    wind = rng.uniform(-180, 180, n), rng.uniform(0, 30, n) * rng.choice([1.0, 0.1], n)
    boat = rng.uniform(0, 25, n) * rng.choice([1.0, 0.1], n), rng.normal(0, 20, n), rng.choice([5.0, 10.0, 40.0], n)
    quick = true_wind_with_leeway(*wind, *boat)

    def by_bisection(_before: np.ndarray, _size: np.ndarray, args: tuple[np.ndarray, ...]) -> np.ndarray:
        low, high = leeway._bisected(args)
        return 0.5 * (low + high)

    monkeypatch.setattr(leeway, "_agreed", by_bisection)
    for found, expected in zip(quick, true_wind_with_leeway(*wind, *boat), strict=True):
        np.testing.assert_array_equal(found, expected)

"""Published values of circular statistics."""

import numpy as np
import pytest
from scipy.stats import circmean, circstd

from pipeline.angles import circular_mean, circular_sd, difference, wrap_180

ZAR_26_2 = [45.0, 55.0, 81.0, 96.0, 110.0, 117.0, 132.0, 154.0]


def test_zar_biostatistical_analysis_example_26_2() -> None:
    # Zar, Biostatistical Analysis, 5th ed., Ex. 26.2 and 26.4 (the book rounds: 99 deg, 36 deg)
    assert float(circular_mean(ZAR_26_2)) == pytest.approx(98.98775, abs=1e-5)
    assert float(circular_sd(ZAR_26_2)) == pytest.approx(35.51488, abs=1e-5)


def test_zar_example_26_5_grouped() -> None:
    counts = [0, 6, 9, 13, 15, 22, 17, 12, 8, 3, 0, 0]
    angles = np.repeat(np.arange(15.0, 360.0, 30.0), counts)
    assert float(circular_mean(angles)) == pytest.approx(161.565, abs=1e-3)
    r = np.exp(-(np.radians(float(circular_sd(angles))) ** 2) / 2)
    assert r == pytest.approx(0.55064, abs=1e-4)


def test_scipy_and_astropy_docstring_examples() -> None:
    # scipy circmean; astropy circmean and circstd
    assert float(circular_mean([20.0, 30.0, 330.0])) == pytest.approx(7.294976658, abs=1e-9)
    sample = [51.0, 67.0, 40.0, 109.0, 31.0, 358.0]
    assert float(circular_mean(sample)) == pytest.approx(48.62718089, abs=1e-7)
    assert np.radians(float(circular_sd(sample))) == pytest.approx(0.59766999, abs=1e-7)


@pytest.mark.parametrize(("angles", "sd"), [([350.0, 10.0], 10.02556), ([355.0, 356.0, 0.0, 4.0, 5.0], 4.05112)])
def test_across_north(angles: list[float], sd: float) -> None:
    assert float(wrap_180(circular_mean(angles))) == pytest.approx(0.0, abs=1e-9)
    assert float(circular_sd(angles)) == pytest.approx(sd, abs=1e-5)


def test_no_mean_where_directions_cancel() -> None:
    assert np.isnan(circular_mean([0.0, 180.0]))
    assert np.isnan(circular_mean([0.0, 120.0, 240.0]))


def test_agrees_with_scipy_on_random_directions() -> None:
    angles = np.random.default_rng(3).normal(350.0, 30.0, (40, 12)) % 360.0
    expected = circmean(angles, high=360.0, low=0.0, axis=1)
    np.testing.assert_allclose(difference(circular_mean(angles, axis=1), expected), 0.0, atol=1e-9)
    np.testing.assert_allclose(circular_sd(angles, axis=1), circstd(angles, high=360.0, low=0.0, axis=1), atol=1e-9)

"""Published values of circular statistics, through the one module that averages and differences angles."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import circmean, circstd

from pipeline.angles import circular_mean, circular_sd, components, difference, direction, wrap_180

DIRECTIONS = Path(__file__).parents[1] / "data" / "directions"
ZAR_26_2 = [45.0, 55.0, 81.0, 96.0, 110.0, 117.0, 132.0, 154.0]
# Johnson & Wehrly 1977: wind directions at Milwaukee at 6 a.m. and at noon; pycircstat2 0.1.15, jammalamadaka/milwaukee
MILWAUKEE_6 = [356, 97, 211, 232, 343, 292, 157, 302, 335, 302, 324, 85, 324, 340, 157, 238, 254, 146, 232, 122, 329]
MILWAUKEE_12 = [119, 162, 221, 259, 270, 29, 97, 292, 40, 313, 94, 45, 47, 108, 221, 270, 119, 248, 270, 45, 23]


def resultant(angles_deg: list[float] | np.ndarray) -> float:
    """Mean resultant length, from our own components."""
    x, y = components(angles_deg)
    return float(np.hypot(x.mean(), y.mean()))


def test_zar_biostatistical_analysis_example_26_2() -> None:
    # Zar, Biostatistical Analysis, 5th ed., Ex. 26.2 and 26.4 (the book rounds: 99 deg, 34 deg, 36 deg)
    assert float(circular_mean(ZAR_26_2)) == pytest.approx(98.98775, abs=1e-5)
    assert resultant(ZAR_26_2) == pytest.approx(0.82522, abs=1e-5)
    assert np.degrees(np.sqrt(2 * (1 - resultant(ZAR_26_2)))) == pytest.approx(33.8755, abs=1e-4)
    assert float(circular_sd(ZAR_26_2)) == pytest.approx(35.51488, abs=1e-5)


@pytest.mark.parametrize(("angles", "median"), [(ZAR_26_2, 103.0), (ZAR_26_2[1:], 110.0)])
def test_zar_median_parts_the_differences_evenly(angles: list[float], median: float) -> None:
    # Zar, the same example: as many directions to one side of the median's diameter as to the other
    turn = difference(angles, median)
    assert (turn > 0).sum() == (turn < 0).sum()


def test_zar_example_26_5_grouped() -> None:
    counts = [0, 6, 9, 13, 15, 22, 17, 12, 8, 3, 0, 0]
    angles = np.repeat(np.arange(15.0, 360.0, 30.0), counts)
    assert float(circular_mean(angles)) == pytest.approx(161.565, abs=1e-3)
    r = np.exp(-(np.radians(float(circular_sd(angles))) ** 2) / 2)
    assert r == pytest.approx(0.55064, abs=1e-4)
    # the book's correction for bins of 30 deg
    assert r * np.radians(15.0) / np.sin(np.radians(15.0)) == pytest.approx(0.55698, abs=1e-4)


def test_scipy_and_astropy_docstring_examples() -> None:
    # scipy circmean and circstd; astropy circmean and circstd
    assert float(circular_mean([20.0, 30.0, 330.0])) == pytest.approx(7.294976658, abs=1e-9)
    sample = [51.0, 67.0, 40.0, 109.0, 31.0, 358.0]
    assert float(circular_mean(sample)) == pytest.approx(48.62718089, abs=1e-7)
    assert np.radians(float(circular_sd(sample))) == pytest.approx(0.59766999, abs=1e-7)
    assert np.sqrt(2 * (1 - resultant(sample))) == pytest.approx(0.57195022, abs=1e-7)


@pytest.mark.parametrize(
    ("sample_rad", "sd_rad"),
    [
        # the two samples of the docstring of scipy circstd
        ([0.072, -0.158, 0.077, 0.108, 0.286, 0.133, -0.473, -0.001, -0.348, 0.131], 0.225204),
        ([0.111, -0.879, 0.078, 0.733, 0.421, 0.104, -0.136, -0.867, 0.012, 0.105], 0.479664),
    ],
)
def test_scipy_circstd_samples(sample_rad: list[float], sd_rad: float) -> None:
    assert np.radians(float(circular_sd(np.degrees(sample_rad)))) == pytest.approx(sd_rad, abs=1e-6)


def test_310_real_wind_directions() -> None:
    # Col de la Roa: mean, resultant length and circular SD as pycircstat2 0.1.15 gives them
    angles = np.degrees(np.loadtxt(DIRECTIONS / "col_de_la_roa.csv", skiprows=2))
    assert angles.size == 310
    assert np.radians(float(circular_mean(angles))) == pytest.approx(0.2921688, abs=1e-6)
    assert resultant(angles) == pytest.approx(0.6557247, abs=1e-6)
    assert np.radians(float(circular_sd(angles))) == pytest.approx(0.9187102, abs=1e-6)


def test_milwaukee_circular_correlation() -> None:
    # Johnson & Wehrly 1977; 0.2704649 as astropy's circcorrcoef gives it: differences from the mean directions
    a = np.sin(np.radians(difference(MILWAUKEE_6, circular_mean(MILWAUKEE_6))))
    b = np.sin(np.radians(difference(MILWAUKEE_12, circular_mean(MILWAUKEE_12))))
    assert np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b)) == pytest.approx(0.2704649, abs=1e-6)


@pytest.mark.parametrize(("angles", "streamed_deg"), [([350.0, 10.0], 10.0081), (ZAR_26_2, 35.3480)])
def test_one_pass_spread_is_within_two_per_cent(angles: list[float], streamed_deg: float) -> None:
    # Yamartino 1984 (formula from memory): the spread from streamed means of components
    e = np.sqrt(1.0 - resultant(angles) ** 2)
    one_pass = np.degrees(np.arcsin(e) * (1.0 + 0.1547 * e**3))
    assert one_pass == pytest.approx(streamed_deg, abs=1e-3)
    assert float(circular_sd(angles)) == pytest.approx(one_pass, rel=0.02)


@pytest.mark.parametrize(
    ("angles", "sd", "r"), [([350.0, 10.0], 10.02556, 0.984808), ([355.0, 356.0, 0.0, 4.0, 5.0], 4.05112, None)]
)
def test_across_north(angles: list[float], sd: float, r: float | None) -> None:
    assert float(wrap_180(circular_mean(angles))) == pytest.approx(0.0, abs=1e-9)
    assert float(circular_sd(angles)) == pytest.approx(sd, abs=1e-5)
    if r is not None:
        assert resultant(angles) == pytest.approx(r, abs=1e-6)


@pytest.mark.parametrize("angles", [[0.0, 180.0], [0.0, 120.0, 240.0]])
def test_no_mean_where_directions_cancel(angles: list[float]) -> None:
    assert np.isnan(circular_mean(angles))
    x, y = components(angles)
    assert np.isnan(direction(x.mean(), y.mean()))


def test_agrees_with_scipy_on_random_directions() -> None:
    angles = np.random.default_rng(3).normal(350.0, 30.0, (40, 12)) % 360.0
    expected = circmean(angles, high=360.0, low=0.0, axis=1)
    np.testing.assert_allclose(difference(circular_mean(angles, axis=1), expected), 0.0, atol=1e-9)
    np.testing.assert_allclose(circular_sd(angles, axis=1), circstd(angles, high=360.0, low=0.0, axis=1), atol=1e-9)

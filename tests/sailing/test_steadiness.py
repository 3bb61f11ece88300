import numpy as np
import pytest
from scipy.stats import circstd, linregress

from pipeline.angles import circular_mean, difference
from pipeline.sailing.speed_lag import lagged
from pipeline.sailing.steadiness import CircularSums, Sums

RNG = np.random.default_rng(4)
FIRST, END = np.array([0, 100, 995]), np.array([40, 160, 1000])


def test_running_sums_equal_plain_statistics() -> None:
    x, t = RNG.normal(1000.0, 0.5, 1000), np.arange(1000.0)
    x[110:120] = np.nan
    sums = Sums(x, t)
    for i, (a, b) in enumerate(zip(FIRST, END, strict=True)):
        known = np.isfinite(x[a:b])
        assert sums.mean(FIRST, END)[i] == pytest.approx(np.nanmean(x[a:b]), rel=1e-12)
        assert sums.sd(FIRST, END)[i] == pytest.approx(np.nanstd(x[a:b], ddof=1), rel=1e-8)
        slope = linregress(t[a:b][known] / 60.0, x[a:b][known]).slope
        assert sums.trend_per_min(FIRST, END)[i] == pytest.approx(slope, rel=1e-6)


def test_running_sums_of_angles_across_the_stern() -> None:
    angle = (180.0 + RNG.normal(0.0, 8.0, 1000) + 180.0) % 360.0 - 180.0
    sums = CircularSums(angle)
    for i, (a, b) in enumerate(zip(FIRST, END, strict=True)):
        mean = circular_mean(angle[a:b])
        assert float(difference(sums.mean_180(FIRST, END)[i], mean)) == pytest.approx(0.0, abs=1e-9)
        assert sums.sd(FIRST, END)[i] == pytest.approx(circstd(angle[a:b], high=180, low=-180), rel=1e-9)


def test_nothing_known_gives_nothing() -> None:
    sums = Sums(np.full(5, np.nan), np.arange(5.0))
    a, b = np.array([0]), np.array([5])
    assert np.isnan([sums.mean(a, b)[0], sums.sd(a, b)[0], sums.trend_per_min(a, b)[0]]).all()


def test_lag_of_a_step_and_of_a_ramp() -> None:
    step = np.where(np.arange(300) < 100, 0.0, 1.0)
    out = lagged(step, 1.0, 20.0)
    assert out[119] == pytest.approx(1.0 - np.exp(-1.0), abs=0.01)  # 63 per cent after one time constant
    ramp = lagged(np.arange(1000.0), 1.0, 20.0)
    assert 999.0 - ramp[-1] == pytest.approx(20.0, abs=0.6)  # runs one time constant late
    assert np.isnan(lagged(np.array([np.nan, 3.0, np.nan]), 1.0, 5.0)[0])
    assert lagged(np.array([np.nan, 3.0, np.nan]), 1.0, 5.0)[2] == pytest.approx(3.0)

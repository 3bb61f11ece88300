import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.sailing.effective_size import (
    MEMORY_ENDS,
    ar1_effective_n,
    effective_n,
    integrated_steps,
)
from tests.sailing.pooled import pooled_autocorrelation


def test_ar1_formula() -> None:
    # n (1 - rho) / (1 + rho): rho 0.8, n 600 -> 66.67 (plain arithmetic)
    assert float(ar1_effective_n(600, 0.8)) == pytest.approx(66.67, abs=0.005)
    assert float(ar1_effective_n(600, 0.0)) == 600.0


def test_kept_within_one_and_n() -> None:
    np.testing.assert_array_equal(ar1_effective_n([10, 10, 0], [0.99, -0.5, 0.5]), [1.0, 10.0, 0.0])


def test_integrated_sum_equals_the_formula_for_ar1() -> None:
    rho = 0.8 ** np.arange(200)
    cut_off = 2 * MEMORY_ENDS / (1 - 0.8)  # what is left of the geometric sum where it is ended
    assert integrated_steps(rho) == pytest.approx(9.0, abs=cut_off)
    assert float(effective_n(600, rho)) == pytest.approx(600 / integrated_steps(rho))


def test_recovered_from_simulated_series() -> None:
    rng = np.random.default_rng(9)
    series = [lfilter([1.0], [1.0, -0.8], rng.normal(size=3000)) for _ in range(10)]
    steps = integrated_steps(pooled_autocorrelation(series, 60))
    assert steps == pytest.approx(9.0, rel=0.15)  # (1 + 0.8) / (1 - 0.8)


def test_standard_error_of_the_mean() -> None:
    # AR(1), rho 0.8, n 20000: sigma_e / ((1 - rho) sqrt n) = 0.03536; as independent values it would be 0.0118
    x = lfilter([1.0], [1.0, -0.8], np.random.default_rng(1).normal(size=20000))
    n = float(effective_n(x.size, pooled_autocorrelation([x], 60)))
    error = x.std() / np.sqrt(n)
    assert error == pytest.approx(0.03536, rel=0.15)
    assert error > 2.5 * x.std() / np.sqrt(x.size)


def test_missing_values_and_constant_series() -> None:
    rho = pooled_autocorrelation([np.full(50, 3.0), np.full(50, np.nan)], 5)
    np.testing.assert_array_equal(rho, [1.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    x = np.random.default_rng(2).normal(size=5000)
    x[::3] = np.nan
    assert abs(pooled_autocorrelation([x], 3)[1]) < 0.06

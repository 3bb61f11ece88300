"""Effective sample size against independent ways to the standard error of a mean: HAC (statsmodels), block bootstrap.

Sources: Newey & West 1987, Econometrica 55, 703-708 (as statsmodels computes it); circular block bootstrap, Politis &
Romano 1992 (both from memory). Reference figures: AR(1) theory, standard error sigma_e / ((1 - rho) sqrt n).
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.signal import lfilter
from statsmodels.tsa.stattools import acf

from pipeline.sailing.effective_size import effective_n
from tests.sailing.pooled import pooled_autocorrelation

N, RHO = 20000, 0.8
THEORY = 1.0 / ((1.0 - RHO) * np.sqrt(N))


def series(seed: int) -> np.ndarray:
    return lfilter([1.0], [1.0, -RHO], np.random.default_rng(seed).normal(size=N + 200))[200:]


def our_error(x: np.ndarray) -> float:
    return float(x.std() / np.sqrt(effective_n(x.size, pooled_autocorrelation([x], 60))))


def test_autocorrelation_equals_statsmodels() -> None:
    x = series(4)[:3000]
    assert pooled_autocorrelation([x], 40) == pytest.approx(acf(x, nlags=40, fft=False), abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_error_of_a_mean_agrees_with_hac_and_theory(seed: int) -> None:
    x = series(seed)
    hac = sm.OLS(x, np.ones(N)).fit(cov_type="HAC", cov_kwds={"maxlags": 80}).bse[0]
    assert our_error(x) == pytest.approx(hac, rel=0.15)
    assert our_error(x) == pytest.approx(THEORY, rel=0.15)


def test_error_of_a_mean_agrees_with_the_block_bootstrap() -> None:
    x = series(1)
    block, draws = 80, 500
    starts = np.random.default_rng(7).integers(0, N, (draws, N // block))
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([x, x[:block]]))])
    means = (sums[starts + block] - sums[starts]).sum(axis=1) / (block * (N // block))
    assert our_error(x) == pytest.approx(means.std(ddof=1), rel=0.2)
    assert our_error(x) > 2.5 * x.std() / np.sqrt(N)

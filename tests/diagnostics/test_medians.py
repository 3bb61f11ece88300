"""Medians of clustered values against order statistics and simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.diagnostics.medians import LEAST_CLUSTERS, clustered_median


def test_independent_values_have_the_interval_of_order_statistics() -> None:
    # Distribution-free interval of a median: order statistics at n / 2 -+ 1.645 sqrt(n) / 2.
    values = np.random.default_rng(1).permutation(np.arange(401.0))
    found = clustered_median(values, np.arange(401))
    low, high = found.interval()
    assert found.median == 200.0
    assert found.effective_n == pytest.approx(401.0)
    reach = 1.645 * np.sqrt(401) / 2.0
    assert (low, high) == (pytest.approx(200.0 - reach, abs=0.5), pytest.approx(200.0 + reach, abs=0.5))


def test_copies_in_a_cluster_count_once() -> None:
    values = np.random.default_rng(2).normal(size=41)
    once = clustered_median(values, np.arange(41))
    copied = clustered_median(np.repeat(values, 20), np.repeat(np.arange(41), 20))
    assert copied.effective_n == pytest.approx(once.effective_n, rel=0.05)
    assert np.array(copied.interval()) == pytest.approx(np.array(once.interval()), abs=0.08)


def test_interval_holds_the_true_median_of_clustered_values() -> None:
    rng = np.random.default_rng(3)
    held, runs = 0, 400
    for _ in range(runs):
        cluster = np.repeat(np.arange(14), rng.integers(5, 40, 14))
        low, high = clustered_median(rng.normal(size=14)[cluster] + rng.normal(size=cluster.size), cluster).interval()
        held += (low is None or low <= 0.0) and (high is None or high >= 0.0)
    # 90 % give or take three standard errors.
    assert held / runs == pytest.approx(0.90, abs=3 * np.sqrt(0.09 / runs))


def test_too_few_clusters_say_nothing() -> None:
    found = clustered_median(np.arange(30.0), np.repeat(np.arange(LEAST_CLUSTERS - 1), 15))
    assert not found.told and found.interval() == (None, None) and found.median == 14.5


def test_doubt_beyond_the_values_stays_open() -> None:
    # Three clusters that do not overlap: the share below the median is known to within 1/3, t with 2 degrees is 2.92.
    values = np.concatenate([np.full(5, v) for v in (0.0, 1.0, 2.0)]) + np.tile(np.linspace(0, 0.1, 5), 3)
    found = clustered_median(values, np.repeat(np.arange(3), 5))
    assert found.share_sd * stats.t.ppf(0.95, 2) > 0.5
    assert found.interval() == (None, None)

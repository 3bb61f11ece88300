"""The table behind the close-ups of borders, on surfaces known exactly."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.crossovers.differences import SCHEMA, bordering, set_differences
from tests.decisions.invented_season import (
    DRAW_SD,
    JIB_BORDER_KN,
    JIB_SLOPE,
    SETS,
    TWA_DEG,
    TWS_KN,
    made_fit,
)


def test_difference_is_that_of_the_surfaces_and_its_interval_that_of_the_draws() -> None:
    fit, draws = made_fit()
    found = set_differences(fit, draws, [("LJ", "HJ")])
    assert found["set_a"].unique().to_list() == ["HJ"] and found["set_b"].unique().to_list() == ["LJ"]
    assert found.height == TWS_KN.size * TWA_DEG.size
    true = 100.0 * np.expm1(JIB_SLOPE * (JIB_BORDER_KN - found["tws_kn"].to_numpy()))
    # One error a draw and set: the mean of 200 differences errs by sqrt(2) sd / sqrt(200).
    assert np.abs(found["difference_pct"].to_numpy() - true).max() < 100 * 4 * DRAW_SD * np.sqrt(2 / 200)
    half = (found["high_pct"] - found["low_pct"]).to_numpy() / 2
    assert half == pytest.approx(np.full(found.height, 100 * 1.645 * DRAW_SD * np.sqrt(2)), rel=0.2)
    far = found.filter((pl.col("tws_kn") - JIB_BORDER_KN).abs() > 2)
    assert set(far["chance"].unique()) == {0.0, 1.0}


def test_nodes_out_of_reach_of_either_are_left_out_and_support_is_told() -> None:
    supported = np.ones((len(SETS), TWS_KN.size, TWA_DEG.size), dtype=bool)
    supported[SETS.index("LJ"), TWS_KN > 18] = False
    fit, draws = made_fit(supported)
    draws[:, :, TWS_KN == 20] = np.where(np.isfinite(draws[:, :, TWS_KN == 20]), draws[:, :, TWS_KN == 20], 2.0)
    found = set_differences(fit, draws, [("HJ", "LJ")])
    assert sorted(found["tws_kn"].unique()) == [*TWS_KN[TWS_KN <= 18], 20.0]
    assert (found.filter(pl.col("tws_kn") == 20)["supported"] == False).all()  # noqa: E712
    assert found.filter(pl.col("tws_kn") <= 18)["supported"].all()


def test_each_pair_stands_once_and_unknown_sets_are_passed_over() -> None:
    fit, draws = made_fit()
    named = pl.DataFrame({"set_a": ["HJ", "LJ", "HJ"], "set_b": ["LJ", "HJ", "none"]})
    pairs = bordering(named, named)
    found = set_differences(fit, draws, pairs)
    assert found.select("set_a", "set_b").unique().rows() == [("HJ", "LJ")]
    empty = set_differences(fit, draws, [])
    assert empty.is_empty() and dict(empty.schema) == SCHEMA

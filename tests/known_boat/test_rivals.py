"""The benchmark's own arithmetic on a season small enough to check: bins, charts, crossings, regret."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.benchmarks.rivals import bins, judge
from tests.benchmarks.rivals.common import (
    Chart,
    Fitted,
    Grid,
    Rule,
    Windows,
    averaged,
    best_set_table,
    chart_by_rule,
    grid_over,
    read_windows,
    surfaces_table,
    windows_near,
)
from tests.benchmarks.rivals.seasons import Season, make
from tests.known_boat.score import score_charts


@pytest.fixture(scope="module")
def season() -> Season:
    return make("light8", 5)


def few(y: list[float], tws: list[float], twa: list[float], number: list[int]) -> Windows:
    n = len(y)
    return Windows(
        np.array(y), np.array(tws), np.array(twa), np.ones(n), np.zeros(n, int), np.arange(n) / 60.0,
        np.array(number), ("A", "B"),
    )  # fmt: skip


def test_bins_take_the_middle_and_reach_as_far_as_allowed() -> None:
    w = few([1.0, 1.1, 1.9, 2.0], [10.0, 10.2, 9.8, 14.0], [90.0, 91.0, 89.0, 90.0], [0, 0, 0, 0])
    grid = Grid(np.arange(8.0, 15.0), np.array([85.0, 90.0, 95.0]))
    fitted = bins.fit(w, grid, 0.5)
    assert fitted.log_speed[0, 2, 1] == 1.1 and np.isfinite(fitted.log_speed[0]).sum() == 1
    for steps, cells in ((0.0, 1), (1.0, 5)):
        chart = bins.chart(w, grid, fitted, Rule(steps, 3), 0.5)
        assert chart.supported.sum() == cells and (chart.best >= 0).sum() == cells
    assert not bins.chart(w, grid, fitted, Rule(1.0, 4), 0.5).supported.any()


def test_density_counts_the_set_s_own_windows() -> None:
    w = few([1.0] * 4, [10.0, 11.0, 12.6, 10.0], [90.0, 96.0, 90.0, 90.0], [0, 0, 0, 1])
    near = windows_near(w, Grid(np.array([10.0, 11.0]), np.array([90.0])), 1.5)
    assert near[:, :, 0].tolist() == [[2, 2], [1, 1]]


def test_averages_join_one_cell_of_one_set_only() -> None:
    w = few([1.0, 2.0, 5.0], [10.0, 10.2, 10.0], [90.0, 91.0, 90.0], [0, 0, 1])
    means = averaged(w, 15.0)
    assert sorted(means.y) == [1.5, 5.0]
    assert means.tws_kn[np.argmin(means.y)] == pytest.approx(10.1)


def test_crossing_of_two_planes_between_supported_leaders() -> None:
    grid = Grid(np.arange(6.0, 16.0), np.array([90.0, 95.0]))
    lead = 0.01 * (grid.tws_kn - 10.3)
    speed = np.stack([np.zeros((10, 2)), np.repeat(lead[:, None], 2, axis=1)])
    w = few([0.0, 0.0], [10.0, 10.0], [90.0, 90.0], [0, 1])
    chart = chart_by_rule(w, grid, Fitted(speed, np.full_like(speed, 0.001)), Rule(20.0, 1))
    rows = judge.leading_changes(chart)
    assert rows["set_a"].to_list() == ["A", "A"] and rows["set_b"].to_list() == ["B", "B"]
    assert rows["crossing"].to_list() == [pytest.approx(10.3)] * 2
    supported = chart.supported.copy()
    supported[1, :5] = False  # B unknown up to 10 kn: its lead above then has no crossing
    bare = Chart(chart.sets, grid, speed, chart.log_sd, supported, chart.best)
    assert judge.leading_changes(bare).height == 0
    verdicts = best_set_table(chart).filter(pl.col("twa_deg") == 90.0)["verdict"].to_list()
    assert verdicts[0] == "clear" and verdicts[-1] == "clear"


def test_quick_regret_equals_the_score(season: Season) -> None:
    w = read_windows(season.windows)
    grid = grid_over(w)
    chart = bins.chart(w, grid, bins.fit(w, grid, 0.5), Rule(1.0, 4), 0.5)
    conditions = judge.Conditions(season.truth)
    quick = conditions.regret_pct(grid.tws_kn, grid.twa_deg, judge.in_boat_order(chart, conditions.names))
    slow = score_charts(surfaces_table(chart), best_set_table(chart), season.truth)
    assert quick == pytest.approx(slow["regret_measured_pct"], abs=1e-12)
    blank = np.full(grid.shape, -1)
    assert conditions.regret_pct(grid.tws_kn, grid.twa_deg, blank) == pytest.approx(slow["regret_designed_pct"])


def test_the_true_chart_loses_little(season: Season) -> None:
    w = read_windows(season.windows)
    grid = grid_over(w)
    tws, twa = grid.points.T
    names = season.truth.set_names
    true = np.log(season.truth.surfaces(names, tws, twa)).reshape(len(names), *grid.shape)
    chart = Chart(names, grid, true, np.zeros_like(true), np.ones(true.shape, dtype=bool), true.argmax(axis=0))
    scores = judge.judge(chart, season.truth, intervals=True)
    assert scores["regret_measured_pct"] == pytest.approx(0.0, abs=1e-9)
    assert scores["surface_rmse_plain_pct"] == pytest.approx(0.0, abs=1e-9)
    assert scores["wrong_best_share"] == 0.0
    assert scores["border_found"] >= 0.9 * scores["border_true"] > 0
    assert scores["border_error_kn"] < 0.1 and scores["border_error_deg"] < 0.5

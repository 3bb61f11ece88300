"""Borders along one line: where both sets are supported, with intervals as far as the surfaces reach."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.crossovers.borders import Line, borders_on

X = np.arange(6.0, 21.0)


def line(difference: np.ndarray, sd: float, supported: np.ndarray) -> Line:
    """Set 0 at log speed 2, set 1 ahead by `difference`; its draws are shifted by normal quantiles."""
    shift = np.quantile(np.random.default_rng(0).normal(0, sd, 4000), np.linspace(0.001, 0.999, 401))
    mean = np.stack([np.full(X.size, 2.0), 2.0 + difference])
    draws = np.repeat(mean[None], 401, axis=0)
    draws[:, 1] += shift[:, None]
    return Line("fixed-angle", "tws_kn", 90.0, X, mean, draws, supported)


def test_interval_may_end_beyond_support() -> None:
    supported = np.stack([X < 14.5, X > 11.5])
    rows = borders_on(line(0.01 * (X - 13.0), 0.02, supported), ("A", "B"))
    assert len(rows) == 1 and (rows[0]["set_a"], rows[0]["set_b"]) == ("A", "B")
    # Half of the 90 % interval: 1.645 times 0.02 over a slope of 0.01 a knot.
    assert rows[0]["crossing"] == pytest.approx(13.0, abs=1e-6)
    assert rows[0]["crossing_low"] == pytest.approx(13.0 - 3.29, abs=0.15)
    assert rows[0]["crossing_high"] == pytest.approx(13.0 + 3.29, abs=0.15)


def test_crossing_outside_support_is_not_given() -> None:
    supported = np.stack([X < 12.5, X < 20.5])
    assert borders_on(line(0.01 * (X - 15.0), 0.01, supported), ("A", "B")) == []


def test_crossing_next_to_a_supported_node_is_given() -> None:
    supported = np.stack([X < 13.5, X < 20.5])
    for crossing, given in ((13.8, True), (14.2, False)):
        rows = borders_on(line(0.01 * (X - crossing), 0.01, supported), ("A", "B"))
        assert [r["crossing"] for r in rows] == ([pytest.approx(crossing, abs=1e-6)] if given else [])


def test_border_open_on_both_sides_says_nothing() -> None:
    everywhere = np.ones((2, X.size), dtype=bool)
    assert borders_on(line(0.001 * (X - 13.0), 0.05, everywhere), ("A", "B")) == []


def test_open_side_where_one_set_ends_is_one_sided() -> None:
    supported = np.stack([X < 18.5, np.ones(X.size, dtype=bool)])
    rows = borders_on(line(0.004 * (X - 16.0), 0.02, supported), ("A", "B"))
    assert [r["verdict"] for r in rows] == ["one-sided"]
    assert rows[0]["crossing_high"] is None and rows[0]["crossing_low"] is not None


def test_saddle_keeps_its_branch_on_every_line() -> None:
    # xy = 0.1: along y at fixed x the difference is linear and its root is 0.1 / x (compare contourpy, error 3e-17).
    for x in (0.5, 1.0, 2.0):
        rows = borders_on(line(0.01 * (x * (X - 13.0) - 0.1), 0.0005, np.ones((2, X.size), dtype=bool)), ("A", "B"))
        assert [r["crossing"] for r in rows] == [pytest.approx(13.0 + 0.1 / x, abs=1e-9)]

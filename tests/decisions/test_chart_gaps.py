"""Gaps in the chart: hollows of the polar, and conditions without a set."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.chart_gaps import HOLLOW, NO_SET_DESIGNED, NO_SET_KNOWN, chart_gaps
from pipeline.decisions.judged import judge
from tests.decisions.inventory_fits import Surface, boat_of, conditions, constant, fit_of

TWS, TWA = np.arange(10.0, 14.0), np.arange(40.0, 171.0, 5.0)
HOURS = conditions(*((w, a, 0.2) for w in TWS for a in TWA))
BOAT = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"})


def peaked(centre_deg: float, width_deg: float) -> Surface:
    return lambda tws, twa: 8.0 * np.exp(-(((twa - centre_deg) / width_deg) ** 2))


def gaps(surfaces: dict[str, Surface], designed: pl.DataFrame | None = None, **how: object) -> pl.DataFrame:
    fit, draws = fit_of(surfaces, TWS, TWA, **how)  # type: ignore[arg-type]
    return chart_gaps(judge(fit, draws, HOURS, BOAT), fit, draws, BOAT, designed, None)


def test_a_round_polar_has_no_hollow() -> None:
    assert gaps({"A": constant(8.0), "B": constant(7.0)}).is_empty()


def test_a_hollow_between_two_narrow_sets_is_as_deep_as_the_chord_lies_above_it() -> None:
    found = gaps({"A": peaked(70.0, 50.0), "B": peaked(140.0, 50.0)}, sd=0.002)
    assert found["kind"].to_list() == [HOLLOW]  # four winds alike, joined
    only = found.row(0, named=True)
    assert (only["tws_low_kn"], only["tws_high_kn"], only["sets"]) == (10.0, 13.0, "A B")
    a, m, b = only["twa_low_deg"], only["deepest_twa_deg"], only["twa_high_deg"]
    assert a < 105.0 < b and m == 105.0
    # A leg of one mile along m in two parts, along a and b: solved as a triangle, timed, and compared.
    part_a, part_b = np.linalg.solve(
        [[np.cos(np.radians(a)), np.cos(np.radians(b))], [np.sin(np.radians(a)), np.sin(np.radians(b))]],
        [np.cos(np.radians(m)), np.sin(np.radians(m))],
    )
    speed = {x: max(float(peaked(c, 50.0)(np.array(12.0), np.array(x))) for c in (70.0, 140.0)) for x in (a, m, b)}
    gain = 100.0 * (1.0 / speed[m] / (part_a / speed[a] + part_b / speed[b]) - 1.0)
    assert only["depth_pct"] == pytest.approx(gain) and gain > 3.0
    assert only["depth_low_pct"] < gain < only["depth_high_pct"]


def test_a_hollow_within_the_doubt_is_not_reported() -> None:
    shallow = {"A": peaked(70.0, 90.0), "B": peaked(140.0, 90.0)}
    assert not gaps(shallow, sd=0.002).is_empty()
    assert gaps(shallow, sd=0.1).is_empty()


def test_conditions_without_a_supported_set_by_blocks() -> None:
    known = np.ones((len(TWS), len(TWA)), dtype=bool)
    known[2:, 4:6] = False  # 12 and 13 kn, 60 and 65 deg
    found = gaps({"A": constant(8.0), "B": constant(7.0)}, supported={"A": known, "B": known}, reached={"B": known})
    only = found.filter(pl.col("kind") == NO_SET_KNOWN).row(0, named=True)
    assert found.height == 1
    assert [only[c] for c in ("tws_low_kn", "tws_high_kn", "twa_low_deg", "twa_high_deg")] == [12.0, 13.0, 60.0, 65.0]
    assert only["hours"] == pytest.approx(0.8) and only["sets"] == "A"


def test_conditions_that_no_set_is_designed_for() -> None:
    ring = [("A", "1", 9.0, 39.0), ("A", "1", 20.0, 39.0), ("A", "1", 20.0, 157.0), ("A", "1", 9.0, 157.0)]
    designed = pl.DataFrame(ring, schema=["sail_set", "part", "tws_kn", "twa_deg"], orient="row")
    found = gaps({"A": constant(8.0)}, designed)
    assert set(found["kind"]) == {NO_SET_DESIGNED}
    assert found["twa_low_deg"].min() == 160.0 and found["hours"].sum() == pytest.approx(3 * 4 * 0.2)

"""Speeds against the prediction, and areas against the designed ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import DesignBasis
from pipeline.decisions.area_changes import area_changes, designed_share
from pipeline.decisions.design_speeds import speed_comparison
from pipeline.decisions.judged import judge
from pipeline.wind.height import height_factor
from tests.decisions.inventory_fits import Surface, boat_of, conditions, constant, fit_of

TWS, TWA = np.arange(6.0, 21.0), np.arange(60.0, 121.0, 5.0)
BOAT = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"})


def predicted(rows: list[tuple[str, float, float, float]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["sail_set", "tws_kn", "twa_deg", "bsp_kn"], orient="row")


def speeds(sail_set: str, law: Surface) -> list[tuple[str, float, float, float]]:
    winds, angles = np.arange(4.0, 27.0), np.arange(50.0, 131.0, 10.0)
    return [(sail_set, float(w), float(a), float(law(np.array(w), np.array(a)))) for w in winds for a in angles]


def linear(by_wind: float) -> Surface:
    return lambda tws, twa: 2.0 + by_wind * tws + 0.01 * twa


def test_difference_and_interval_in_per_cent_of_the_prediction() -> None:
    fit, _ = fit_of({"A": lambda w, a: 1.03 * linear(0.4)(w, a)}, TWS, TWA, sd=0.01)
    found = speed_comparison(fit, BOAT, predicted(speeds("A", linear(0.4))))
    assert found.height == len(TWS) * len(TWA) and set(found["verdict"]) == {"faster"}
    np.testing.assert_allclose(found["difference_pct"], 3.0, atol=1e-9)
    np.testing.assert_allclose(found["low_pct"], 100 * (1.03 * np.exp(-0.016448536) - 1), atol=1e-6)
    wide, _ = fit_of({"A": lambda w, a: 1.03 * linear(0.4)(w, a)}, TWS, TWA, sd=0.05)
    assert set(speed_comparison(wide, BOAT, predicted(speeds("A", linear(0.4))))["verdict"]) == {"as predicted"}


def test_prediction_is_read_in_the_wind_at_the_designers_height() -> None:
    boat = replace(BOAT, design=DesignBasis(height_m=20.0, given=True))
    fit, _ = fit_of({"A": linear(0.4)}, TWS, TWA, sd=0.01)
    found = speed_comparison(fit, boat, predicted(speeds("A", linear(0.4))))
    factor = height_factor(10.0, 20.0)
    one = found.filter((pl.col("tws_kn") == 10.0) & (pl.col("twa_deg") == 90.0)).row(0, named=True)
    assert factor > 1.05 and one["predicted_kn"] == pytest.approx(2.0 + 0.4 * 10.0 * factor + 0.9)
    assert not found["provisional"].any()


def test_only_supported_places_that_the_table_reaches_are_compared() -> None:
    known = np.zeros((len(TWS), len(TWA)), dtype=bool)
    known[0, :] = True
    fit, _ = fit_of({"A": linear(0.4), "B": linear(0.4)}, TWS, TWA, sd=0.01, supported={"A": known})
    found = speed_comparison(fit, BOAT, predicted([r for r in speeds("A", linear(0.4)) if r[2] <= 90.0]))
    assert set(found["sail_set"]) == {"A"} and set(found["tws_kn"]) == {6.0} and found["twa_deg"].max() == 90.0
    assert speed_comparison(fit, BOAT, None).is_empty()


HOURS = conditions(*((w, 90.0, 1.0) for w in TWS))


def border_at(wind_kn: float, sd: float = 0.0) -> tuple:
    """B overtakes A in so much wind."""
    fit, draws = fit_of({"A": constant(8.0), "B": lambda w, a: 8.0 * np.exp(0.01 * (w - wind_kn))}, TWS, TWA, sd=sd)
    return fit, draws, judge(fit, draws, HOURS, BOAT)


def chart(border_kn: float, end_kn: float = 40.0) -> pl.DataFrame:
    """A's area up to a wind, B's from there on to the end."""

    def ring(name: str, low: float, high: float) -> list[tuple[str, str, float, float]]:
        return [(name, "1", low, 50.0), (name, "1", high, 50.0), (name, "1", high, 130.0), (name, "1", low, 130.0)]

    rows = ring("A", 0.0, border_kn) + ring("B", border_kn, end_kn)
    return pl.DataFrame(rows, schema=["sail_set", "part", "tws_kn", "twa_deg"], orient="row")


def test_the_set_whose_border_moved_out_grew_by_the_hours_between() -> None:
    fit, _, judged = border_at(15.5)
    found = {r["sail_set"]: r for r in area_changes(judged, fit, BOAT, chart(12.5), None).iter_rows(named=True)}
    a, b = found["A"], found["B"]
    assert (a["hours_designed"], a["hours_measured"], a["change_hours"]) == pytest.approx((7.0, 10.0, 3.0))
    assert (b["hours_designed"], b["hours_measured"], b["change_hours"]) == pytest.approx((8.0, 5.0, -3.0))
    assert (a["verdict"], a["gained_from"], a["lost_to"]) == ("grew", "B", "")
    assert (b["verdict"], b["gained_from"], b["lost_to"]) == ("shrank", "", "A")


def test_an_area_within_a_tenth_is_as_designed_and_doubt_is_undecided() -> None:
    fit, _, judged = border_at(12.5)
    assert set(area_changes(judged, fit, BOAT, chart(12.5), None)["verdict"]) == {"as designed"}
    fit, _, judged = border_at(12.5, sd=0.03)
    assert set(area_changes(judged, fit, BOAT, chart(12.5), None)["verdict"]) == {"undecided"}


def test_beyond_the_designed_chart_nothing_is_judged() -> None:
    fit, _, judged = border_at(12.5)
    found = area_changes(judged, fit, BOAT, chart(12.5, 18.5), None).filter(pl.col("sail_set") == "B")
    assert found.select("hours_designed", "hours_measured").rows() == [(pytest.approx(6.0), pytest.approx(6.0))]


def test_a_cell_that_the_border_cuts_is_shared() -> None:
    fit, _, judged = border_at(12.5)
    share = designed_share(judged, fit, BOAT, chart(12.0), None)
    assert share is not None and share[0] == ("A", "B")
    np.testing.assert_allclose(share[1][:, TWS == 12.0], 0.5)
    np.testing.assert_allclose(share[1].sum(axis=0), 1.0)


def test_where_the_designed_set_is_not_supported_nothing_is_judged() -> None:
    surfaces = {"A": constant(8.0), "B": constant(9.0), "B+R1": constant(8.5)}
    fit, draws = fit_of(surfaces, TWS, TWA, supported={"A": np.zeros((len(TWS), len(TWA)), dtype=bool)})
    found = area_changes(judge(fit, draws, HOURS, BOAT), fit, BOAT, chart(12.5), None)
    a, b = (found.filter(pl.col("sail_set") == name).row(0, named=True) for name in ("A", "B"))
    assert (a["hours_designed"], a["hours_tested"], a["verdict"]) == (pytest.approx(7.0), 0.0, "untested")
    # B keeps what it was designed for; what A was designed for is not counted as won.
    assert (b["hours_measured"], b["verdict"]) == (pytest.approx(8.0), "as designed")
    assert area_changes(judge(fit, draws, HOURS, BOAT), fit, BOAT, None, None).is_empty()

"""Borders in the apparent wind, the card and the change rules, on surfaces whose borders are straight lines."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Calibration, Corrections, Displays
from pipeline.decisions.apparent_borders import apparent_borders
from pipeline.decisions.border_lines import border_lines
from pipeline.decisions.card import card_of, indifferent
from pipeline.decisions.change_pools import ChangeCosts
from pipeline.decisions.change_rules import MINUTES_AHEAD, change_rules, pays_beyond
from pipeline.tables import TABLES
from pipeline.wind.apparent import with_upwash
from pipeline.wind.height import height_factor
from pipeline.wind.triangle import apparent_from_true
from tests.decisions.invented_season import BOAT, JIB_BORDER_KN, JIB_SLOPE, Leg, log_speed, made_season

LEGS = [Leg(30, "LJ", 14.0, 60.0), Leg(30, "LJ", 14.0, -60.0)]
COST_S = 9.0


@pytest.fixture(scope="module")
def season():
    return made_season(LEGS)


def jibs(table, at=60.0):
    return table.filter((pl.col("set_a") == "LJ") & (pl.col("set_b") == "HJ") & (pl.col("at") == at))


def costs(seconds=COST_S):
    return ChangeCosts(pl.DataFrame(), {}, seconds)


def test_a_border_lies_where_the_wind_triangle_has_it(season):
    row = jibs(apparent_borders(season)).row(0, named=True)
    bsp = np.exp(log_speed("LJ", np.array([JIB_BORDER_KN]), np.array([60.0])))
    awa, aws = apparent_from_true(60.0, JIB_BORDER_KN * height_factor(10.0, 15.0), bsp)
    assert row["tws_kn"] == pytest.approx(JIB_BORDER_KN, abs=0.01)
    assert row["aws_kn"] == pytest.approx(aws[0], abs=0.02)
    assert row["awa_deg"] == pytest.approx(awa[0], abs=0.1)
    assert row["aws_low_kn"] < row["aws_kn"] < row["aws_high_kn"]


def test_rows_are_those_of_crossovers_in_their_order(season):
    found, told = apparent_borders(season), season.tables["crossovers"]
    assert list(found.columns[:13]) == list(TABLES["crossovers_apparent"].columns)
    assert found.select("set_a", "set_b", "mode", "along", "at").equals(
        told.select("set_a", "set_b", "mode", "along", "at")
    )


def test_an_open_side_is_blank(season):
    crossovers = season.tables["crossovers"].with_columns(pl.lit(None, pl.Float64).alias("crossing_high"))
    row = jibs(apparent_borders(replace(season, tables={"crossovers": crossovers}))).row(0, named=True)
    assert row["aws_high_kn"] is None
    assert row["aws_low_kn"] < row["aws_kn"]


def test_uncorrected_displays_show_a_heeled_sensor_in_its_upwash():
    calibration = Calibration(sets={"HJ": Corrections(upwash_deg=3.0)})
    heeled = made_season(LEGS, boat=replace(BOAT, calibration=calibration), heel_deg=25.0)
    row = jibs(apparent_borders(heeled)).row(0, named=True)
    assert row["aws_shown_kn"] < row["aws_kn"]
    assert row["awa_shown_b_deg"] == pytest.approx(float(with_upwash(row["awa_shown_a_deg"], 3.0)), abs=1e-6)
    true = made_season(LEGS, boat=replace(BOAT, displays=Displays(corrected=True)), heel_deg=25.0)
    same = jibs(apparent_borders(true)).row(0, named=True)
    assert same["aws_shown_kn"] == pytest.approx(same["aws_kn"])


def test_a_change_pays_where_its_gain_over_the_minutes_ahead_is_its_cost(season):
    rules = jibs(change_rules(season, costs())).sort("minutes_ahead")
    for minutes, up, down in rules.select("minutes_ahead", "up_at", "down_at").rows():
        needed = -np.log1p(-COST_S / (minutes * 60.0)) / JIB_SLOPE
        assert up == pytest.approx(JIB_BORDER_KN + needed, abs=0.02)
        assert down == pytest.approx(JIB_BORDER_KN - needed, abs=0.02)
    assert tuple(rules["minutes_ahead"]) == MINUTES_AHEAD
    assert rules["up_aws_kn"].is_sorted(descending=True)
    assert (rules["down_aws_kn"] > 0).all()


def test_a_change_that_never_pays_within_the_support_is_blank(season):
    rules = jibs(change_rules(season, costs(60.0)))
    row = rules.filter(pl.col("minutes_ahead") == 5.0).row(0, named=True)
    assert row["up_aws_kn"] is None and row["down_aws_kn"] is None


def test_without_a_measured_change_there_are_no_rules(season):
    assert change_rules(season, costs(None)).is_empty()


def test_the_first_place_that_pays_is_interpolated():
    x = np.array([10.0, 11.0, 12.0])
    assert pays_beyond(x, np.array([0.0, 0.02, 0.04]), 10.0, 1 - np.exp(-0.03), up=True) == pytest.approx(
        11.5, abs=0.01
    )
    assert pays_beyond(x, np.array([-0.04, -0.02, 0.0]), 12.0, 1 - np.exp(-0.03), up=False) == pytest.approx(
        10.5, abs=0.01
    )


def test_either_set_will_do_within_half_a_per_cent(season):
    line = next(b for b in border_lines(season) if b.row["set_b"] == "HJ" and b.row["at"] == 60.0)
    low, high = indifferent(line)
    assert (low, high) == pytest.approx((JIB_BORDER_KN - 0.5, JIB_BORDER_KN + 0.5), abs=0.06)


def test_the_card_is_rounded_to_what_can_be_read(season):
    apparent = apparent_borders(season)
    card = card_of(season, apparent, change_rules(season, costs()))
    by_wind = card.filter((pl.col("set_a") == "LJ") & (pl.col("set_b") == "HJ") & (pl.col("twa_deg") == 60.0))
    row = by_wind.row(0, named=True)
    true = jibs(apparent).row(0, named=True)
    assert row["read"] == "aws"
    assert row["aws_kn"] * 2 == round(row["aws_kn"] * 2)
    assert abs(row["aws_kn"] - true["aws_shown_kn"]) <= 0.25 + 1e-9
    assert row["change_down_at"] < row["aws_kn"] < row["change_up_at"]
    spinnaker = card.filter(pl.col("set_b") == "SP")
    assert spinnaker.height and (spinnaker["read"] == "awa").all()
    assert (spinnaker["limit_aws_kn"] == 22.0).all()

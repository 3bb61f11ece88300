"""Kinds and areas by the rules, sets that break them, and makers' wind limits."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.boat_file import parse_boat
from pipeline.decisions.beyond_limits import BEYOND_SCHEMA, beyond_limits, limit_cells, limited_sails
from pipeline.decisions.sail_rules import BREAKS_SCHEMA, KIND, ONE_TO_A_STATION, OUTRIGGER, rule_breaks, sail_kinds
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.season import _empty as no_fit
from pipeline.wind.height import height_factor
from pipeline.wind.triangle import apparent_from_true

TEXT = (Path(__file__).parent.parent / "data" / "sandpiper.toml").read_text()
BOAT, _ = parse_boat(TEXT.encode())
NOON = datetime(2027, 6, 12, 12)


def boat(*changes):
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_boat(text.encode())[0]


def segments(*rows):
    """`(start minute, end minute, set)`."""
    at = [(NOON + timedelta(minutes=a), NOON + timedelta(minutes=b), name) for a, b, name in rows]
    schema = {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "sail_set": pl.String}
    return pl.DataFrame(at, schema=schema, orient="row")


def test_kind_and_area_of_each_sail_with_the_rule_named():
    kinds = {r["sail"]: r for r in sail_kinds(BOAT).iter_rows(named=True)}
    g2 = kinds["G2"]
    assert (g2["declared"], g2["by_rule"], g2["rule"]) == ("spinnaker", "spinnaker", "ERS 2021-2024, G.1.3")
    assert g2["half_width_share"] == pytest.approx(7.6 / 9.4)
    assert (g2["area_m2"], g2["area_from"]) == (123.0, "boat.toml")
    assert kinds["MN"]["by_rule"] is None and kinds["J1"]["by_rule"] is None


def test_an_area_not_given_comes_from_the_dimensions():
    # SF (SL1 + SL2) / 4 + (SMG - SF / 2) (SL1 + SL2) / 3 of the multihull rule (see tests/published), by hand.
    kinds = sail_kinds(boat(("area_m2 = 123.0\n", ""))).filter(pl.col("sail") == "G2").row(0, named=True)
    assert kinds["area_m2"] == pytest.approx(9.4 * 35.6 / 4 + (7.6 - 4.7) * 35.6 / 3)
    assert kinds["area_from"] == "luff, leech, foot, half width"


def test_a_boat_that_keeps_the_rules_breaks_none():
    found = rule_breaks(BOAT, segments((0, 30, "G2+ST"), (30, 60, "upwind+R1")))
    assert found.is_empty() and dict(found.schema) == BREAKS_SCHEMA


def test_an_outrigger_inside_a_spinnaker_is_named_with_the_time_flown():
    broken = boat(("sheeted_to_outrigger = []", 'sheeted_to_outrigger = ["ST"]'))
    flown = segments((0, 30, "G2+ST"), (30, 40, "J1"), (40, 50, "G2+ST+R1"))
    row = rule_breaks(broken, flown).row(0, named=True)
    assert (row["sail_set"], row["rule"], row["sails"]) == ("G2+ST", OUTRIGGER, "ST")
    assert row["minutes"] == pytest.approx(40.0)
    allowed = boat(
        ("sheeted_to_outrigger = []", 'sheeted_to_outrigger = ["ST"]'),
        ("outrigger_only_inside_headsail = true", "outrigger_only_inside_headsail = false"),
    )
    assert rule_breaks(allowed, flown).is_empty()


def test_two_sails_on_one_station_and_a_contradicted_kind():
    found = rule_breaks(BOAT, segments((0, 6, "J1+J2")))
    assert found.select("sail_set", "rule", "sails", "minutes").rows() == [("J1+J2", ONE_TO_A_STATION, "J1 J2", 6.0)]
    narrow = rule_breaks(boat(("half_width_m = 7.6", "half_width_m = 7.0")), segments((0, 6, "G2")))
    assert set(narrow["sail_set"]) == {"G2+ST", "G2"} and set(narrow["rule"]) == {KIND}
    assert "74.5 % of its foot" in narrow["what"][0] and "ERS 2021-2024" in narrow["what"][0]


# --- makers' limits: G2 up to 24 kn ---


def wind(*parts):
    """Samples a second apart: `(seconds, aws_kn)` one after the other from noon."""
    aws = np.concatenate([np.full(n, v) for n, v in parts])
    time = pl.datetime_range(NOON, NOON + timedelta(seconds=len(aws) - 1), "1s", time_unit="us", eager=True)
    return pl.DataFrame({"time": time, "aws_kn": aws}).with_columns(pl.col("aws_kn").fill_nan(None))


def test_sustained_wind_beyond_the_limit_is_a_stretch_and_a_gust_is_none():
    samples = wind((300, 20.0), (10, 30.0), (300, 20.0), (180, 27.0), (300, 20.0))
    found = beyond_limits(samples, segments((0, 30, "G2+ST")), BOAT)
    assert dict(found.schema) == BEYOND_SCHEMA
    (row,) = found.iter_rows(named=True)
    assert (row["sail_set"], row["sail"], row["limit_kn"]) == ("G2+ST", "G2", 24.0)
    assert abs((row["start"] - NOON).total_seconds() - 610) <= 20
    assert abs((row["end"] - NOON).total_seconds() - 790) <= 30
    assert row["aws_max_kn"] == pytest.approx(27.0)
    assert row["minutes"] == pytest.approx(3.0, abs=0.5)


def test_pauses_are_bridged_and_other_sets_have_no_limit():
    samples = wind((60, 20.0), (120, 27.0), (40, 22.0), (120, 26.0), (60, 20.0))
    assert beyond_limits(samples, segments((0, 30, "G2")), BOAT).height == 1
    assert beyond_limits(samples, segments((0, 30, "upwind")), BOAT).is_empty()
    assert beyond_limits(samples, segments((0, 3, "G2"), (3, 30, "J1")), BOAT)["end"][0] <= NOON + timedelta(minutes=3)
    assert beyond_limits(samples, segments((0, 30, "unlogged")), BOAT).is_empty()


def test_missing_wind_is_no_wind_beyond_the_limit():
    samples = wind((100, 20.0), (100, np.nan), (5, 30.0), (100, np.nan), (100, 20.0))
    assert beyond_limits(samples, segments((0, 30, "G2")), BOAT).is_empty()


def fit_of(*sets: str) -> SeasonFit:
    tws, twa = np.arange(10.0, 31.0, 2.0), np.arange(90.0, 181.0, 30.0)
    log_speed = np.full((len(sets), len(tws), len(twa)), np.log(9.0))
    return replace(no_fit(), sets=sets, tws_kn=tws, twa_deg=twa, log_speed=log_speed)


def test_cells_of_the_chart_beyond_the_limit_are_those_of_the_wind_triangle():
    cells = limit_cells(fit_of("G2+ST", "upwind"), BOAT)
    assert cells["sail_set"].unique().to_list() == ["G2+ST"]
    factor = height_factor(10.0, BOAT.instruments.wind_sensor_height_m)
    said = set(cells.select("tws_kn", "twa_deg").iter_rows())
    for tws in np.arange(10.0, 31.0, 2.0):
        for twa in (90.0, 120.0, 150.0, 180.0):
            aws = float(apparent_from_true(twa, tws * factor, 9.0)[1])
            assert ((tws, twa) in said) == (aws > 24.0)
    assert limit_cells(no_fit(), BOAT).is_empty()


def test_the_lowest_limit_of_a_set_comes_first():
    two = boat(('station = "inner forestay"\n', 'station = "inner forestay"\nmax_aws_kn = 20\n'))
    assert [s.code for s in limited_sails("G2+ST", two)] == ["ST", "G2"]
    assert limit_cells(fit_of("G2+ST"), two)["limit_kn"].unique().to_list() == [20.0]

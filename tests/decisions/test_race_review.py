"""Race losses, late and early changes, on surfaces known exactly."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.as_sailed import as_sailed
from pipeline.decisions.change_pools import ChangeCosts
from pipeline.decisions.change_review import review_changes
from pipeline.decisions.log_times import UNKNOWN_STEP_S, delays_s, log_step_s
from pipeline.decisions.race_review import SEED, count_changes, review_races
from pipeline.decisions.race_stretches import LONGEST_STRETCH_S, cut_races
from pipeline.decisions.sail_change_kinds import sail_changes_of
from pipeline.decisions.surface_lookup import look_up, places_of, supported_at
from pipeline.decisions.unseen import FALL_PER_REACH, with_unseen
from pipeline.surfaces.support import REACH_TWS_KN
from tests.decisions.invented_season import BOAT, SETS, START, TWA_DEG, TWS_KN, Leg, log_speed, made_fit, made_season

# The light jib where the heavy one is 4 % faster, for 20 minutes, then the right one.
LOSING = [Leg(20, "LJ", 18.0, 60.0), Leg(20, "HJ", 18.0, 60.0)]
SHARE = 1 - np.exp(-0.04)


def reviewed(season, draws=None):
    pieces = cut_races(as_sailed(season), season.campaign.races, BOAT.loa_m)
    return review_races(season, season.log_draws if draws is None else draws, pieces)


def changes_of(season, cost_s=6.0):
    pieces = cut_races(as_sailed(season), season.campaign.races, BOAT.loa_m)
    changes = sail_changes_of(season.segments, BOAT)
    costs = ChangeCosts(pl.DataFrame(), {}, cost_s)
    return review_changes(season.fit, season.log_draws, pieces, changes, costs, season.campaign.races)


def test_seconds_lost_are_those_that_the_faster_set_would_have_saved():
    review, totals = reviewed(made_season(LOSING))
    wrong = review.filter(pl.col("flown") == "LJ")
    assert wrong["loss_s"].sum() == pytest.approx(20 * 60 * SHARE, rel=1e-3)
    assert wrong["loss_pct"].to_numpy() == pytest.approx(np.full(wrong.height, 100 * SHARE), rel=1e-3)
    assert (wrong["fastest_measured"] == "HJ").all() and (wrong["chance_slower"] == 1.0).all()
    right = review.filter(pl.col("flown") == "HJ")
    assert (right["loss_s"] == 0).all() and (right["fastest_measured"] == "HJ").all()
    total = totals.row(0, named=True)
    assert total["loss_s"] == pytest.approx(wrong["loss_s"].sum())
    assert total["loss_low_s"] <= total["loss_s"] <= total["loss_high_s"]
    assert total["beyond_doubt_s"] <= total["loss_low_s"]


def test_intervals_hold_the_truth_of_a_boat_drawn_from_the_draws():
    """If the truth is one of the draws, the 90 % interval of the total holds it in about 90 % of the cases."""
    season = made_season([Leg(30, "LJ", 13.8, 60.0)])
    _, totals = reviewed(season)
    low, high = totals.select("loss_low_s", "loss_high_s").row(0)
    tws, twa = np.array([13.8]), np.array([60.0])
    every = look_up(season.log_draws, places_of(season.fit, tws, twa))[..., 0]
    true = 1800.0 * (1 - np.exp(every[:, SETS.index("LJ")] - every.max(axis=1)))
    held = ((true >= low - 1e-6) & (true <= high + 1e-6)).mean()
    assert 0.88 <= held <= 0.96


def test_the_doubt_in_the_log_s_times_widens_the_interval_about_a_change():
    apart, _ = reviewed(made_season([Leg(20, "LJ", 18.0, 60.0)]))
    beside, _ = reviewed(made_season(LOSING))
    lone, last = (f.filter(pl.col("flown") == "LJ").row(-1, named=True) for f in (apart, beside))
    assert last["loss_high_s"] - last["loss_low_s"] > 1.5 * (lone["loss_high_s"] - lone["loss_low_s"])


def test_a_name_that_the_audit_doubts_opens_the_interval_to_what_the_other_set_would_have_lost():
    season = made_season(LOSING)
    pieces = cut_races(as_sailed(season), season.campaign.races, BOAT.loa_m)
    audit = pl.DataFrame(
        {
            "start": [START],
            "end": [START + timedelta(minutes=20)],
            "logged": ["LJ"],
            "likelier": ["HJ"],
            "odds": [4.0],
            "chance": [0.8],
        }
    )
    review, totals = review_races(season, season.log_draws, pieces, audit)
    wrong = review.filter(pl.col("flown") == "LJ")
    assert (wrong["likelier"] == "HJ").all() and review.filter(pl.col("flown") == "HJ")["likelier"].is_null().all()
    assert totals["loss_low_s"][0] < 5.0 and totals["loss_high_s"][0] > 20 * 60 * SHARE - 1
    assert wrong["loss_s"].sum() == pytest.approx(20 * 60 * SHARE, rel=1e-3)


def test_stretches_are_cut_at_changes_and_turns_and_never_long():
    legs = [Leg(8, "LJ", 12.0, 50.0), Leg(8, "LJ", 12.0, -50.0), Leg(4, "HJ", 12.0, -50.0)]
    review, _ = reviewed(made_season(legs))
    length = (review["end"] - review["start"]).dt.total_seconds()
    assert length.max() <= LONGEST_STRETCH_S + 1
    assert review["start"].is_sorted() and (review["start"][1:] >= review["end"][:-1]).all()
    change = START + timedelta(minutes=16)
    assert not review.filter((pl.col("start") < change) & (pl.col("end") > change)).height
    assert review.filter(pl.col("start") >= change)["flown"].unique().to_list() == ["HJ"]


def test_where_the_set_flown_is_not_supported_nothing_is_said():
    supported = np.ones((len(SETS), len(TWS_KN), len(TWA_DEG)), dtype=bool)
    supported[SETS.index("LJ"), TWS_KN > 15.0] = False
    review, totals = reviewed(made_season(LOSING, supported=supported))
    wrong = review.filter(pl.col("flown") == "LJ")
    assert wrong.height and wrong["loss_s"].is_null().all() and wrong["fastest_measured"].is_null().all()
    assert totals["covered_minutes"][0] == pytest.approx(20.0, abs=0.2)


def test_races_of_one_name_are_kept_apart():
    season = made_season(LOSING)
    later = START + timedelta(minutes=25)
    races = season.campaign.races.select("name", "start", "finish")
    two = pl.concat([races.with_columns(finish=pl.lit(later)), races.with_columns(start=pl.lit(later))])
    season = replace(season, campaign=replace(season.campaign, races=two))
    review, totals = reviewed(season)
    counted = count_changes(totals, changes_of(season))
    assert counted.height == 2 and counted["changes"].to_list() == [1, 0]
    assert not review.select("race", "start").is_duplicated().any()


def test_without_races_or_surfaces_the_tables_are_empty_or_blank():
    review, totals = reviewed(made_season(LOSING, race=False))
    assert review.is_empty() and totals.is_empty()


def rising(minutes_before_change):
    """Wind that passes the jibs' border after 20 minutes, and a change so many minutes after or before that; half an
    hour on either side of a change is looked at.
    """
    return [
        Leg(20 + min(minutes_before_change, 0), "LJ", 11.0, 60.0),
        *([Leg(-minutes_before_change, "HJ", 11.0, 60.0)] if minutes_before_change < 0 else []),
        *([Leg(minutes_before_change, "LJ", 18.0, 60.0)] if minutes_before_change > 0 else []),
        Leg(30, "HJ", 18.0, 60.0),
    ]


@pytest.mark.parametrize(
    ("minutes", "verdict", "seconds"),
    [(6, "late", 360 * SHARE), (-6, "early", 360 * (np.exp(0.03) - 1)), (0, "in time", 0.0)],
)
def test_late_and_early_changes(minutes, verdict, seconds):
    row = changes_of(made_season(rising(minutes))).row(0, named=True)
    assert row["verdict"] == verdict
    assert row["minutes_late"] == pytest.approx(minutes, abs=0.6)
    assert row["seconds"] == pytest.approx(seconds, abs=1.5)
    assert row["gain_s"] + max(row["seconds"], 0) * (minutes > 0) == pytest.approx(
        (30 + minutes) * 60 * SHARE + min(minutes, 0) * 60 * (np.exp(0.03) - 1), rel=0.05
    )


def test_a_change_that_gains_less_than_it_costs_did_not_pay():
    season = made_season([Leg(20, "LJ", 11.0, 60.0), Leg(3, "HJ", 15.0, 60.0), Leg(20, "LJ", 11.0, 60.0)])
    row = changes_of(season).row(0, named=True)
    assert row["verdict"] == "did not pay"
    assert row["seconds"] == pytest.approx(6.0 - 180 * (1 - np.exp(-0.01)), abs=0.3)
    both = changes_of(season)
    assert count_changes(reviewed(season)[1], both).select("changes", "unpaid_changes").row(0)[0] == 2


def test_within_the_doubt_of_the_surfaces_there_is_no_verdict():
    season = made_season(rising(6))
    wild = season.log_draws + np.random.default_rng(2).normal(0, 0.08, (len(season.log_draws), len(SETS), 1, 1))
    row = changes_of(replace(season, log_draws=wild)).row(0, named=True)
    assert row["verdict"] == "undecided"


def test_nothing_is_claimed_of_a_change_between_sets_that_nobody_measured_there():
    supported = np.ones((len(SETS), len(TWS_KN), len(TWA_DEG)), dtype=bool)
    supported[SETS.index("HJ"), TWS_KN > 15.0] = False
    season = made_season(rising(6), supported=supported)
    season = replace(season, log_draws=with_unseen(season.fit, season.log_draws, SEED))
    row = changes_of(season).row(0, named=True)
    assert row["known_share"] == pytest.approx(20 / 56, abs=0.02)
    assert row["verdict"] == "untested"
    assert row["seconds"] is None and row["gain_s"] is None and row["minutes_late"] is None


def test_out_of_reach_a_set_falls_behind_and_within_it_stays():
    supported = np.ones((len(SETS), len(TWS_KN), len(TWA_DEG)), dtype=bool)
    heavy = SETS.index("HJ")
    supported[heavy, TWS_KN < 12.0] = False
    fit, draws = made_fit(supported)
    draws = np.where(supported, draws, np.nan)
    filled = with_unseen(fit, draws, SEED)
    assert np.array_equal(filled[:, supported], draws[:, supported])
    assert np.isfinite(filled).all()
    lead = (filled[:, heavy] - np.nanmax(np.delete(filled, heavy, axis=1), axis=1)).mean(axis=0)
    edge = int(np.argmin(np.abs(TWS_KN - 12.0)))
    fall = lead[edge] - lead[edge - 4]
    assert fall == pytest.approx(np.full(len(TWA_DEG), FALL_PER_REACH * 4.0 / REACH_TWS_KN), abs=0.015)
    spread = (filled[:, heavy] - filled[:, SETS.index("LJ")]).std(axis=0)
    assert (spread[0] > spread[edge - 1]).all()


def test_look_up_is_exact_at_nodes_and_blank_outside():
    fit, _ = made_fit()
    tws, twa = np.array([10.0, 10.5, 3.0]), np.array([60.0, -62.5, 60.0])
    found = look_up(fit.log_speed, places_of(fit, tws, twa))[SETS.index("LJ")]
    assert found[0] == pytest.approx(float(log_speed("LJ", tws[:1], twa[:1])[0]))
    corners = [log_speed("LJ", np.array([w]), np.array([a]))[0] for w in (10.0, 11.0) for a in (60.0, 65.0)]
    assert found[1] == pytest.approx(np.mean(corners))
    assert np.isnan(found[2])
    assert supported_at(fit, places_of(fit, tws, twa))[0].tolist() == [True, True, False]


@pytest.mark.parametrize(("step", "found"), [(60, 60.0), (15, 15.0), (1, 1.0)])
def test_the_log_s_rounding_is_read_off_its_times(step, found):
    rng = np.random.default_rng(1)
    times = [datetime(2027, 6, 1) + timedelta(seconds=int(k) * step) for k in rng.integers(1, 40000 // step, 60)]
    assert log_step_s(pl.DataFrame({"time": times}).cast(pl.Datetime("us"))) == found
    assert log_step_s(None) == UNKNOWN_STEP_S


def test_coarser_logs_are_more_in_doubt_and_later():
    fine, coarse = (delays_s(4000, 1, step, 3) for step in (1.0, 60.0))
    assert coarse.std() > fine.std() and coarse.mean() > fine.mean() > 0

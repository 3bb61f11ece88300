"""The test plan against brute-force simulation and exact cases, and its running order."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.border_bands import band_about
from pipeline.decisions.paired_test import HALF_HOUR_MIN, TURNS, Habits, habits_of, paired_variance, schedule
from pipeline.decisions.test_plan import Line, Pair, band_on
from pipeline.decisions.test_plan import test_plan as plan_tests
from pipeline.decisions.training_day import MOST_HALF_HOURS, in_sequence, training_day
from pipeline.intervals import HALF_90
from pipeline.surfaces.parameters import NOISE_PARAMETERS
from pipeline.surfaces.season import _empty as no_fit
from pipeline.tables import TABLES

NOISE = {p.name: p.centre for p in NOISE_PARAMETERS}
QUIET = dict.fromkeys(NOISE, 1e-5) | {"drift_hours": 1.0, "wander_hours": 0.05}


# --- half an hour ---


def test_the_half_hour_is_a_half_hour_balanced_in_drift_and_tack():
    assert sum(m for _, m in TURNS) == HALF_HOUR_MIN
    minute, label, side = schedule(Habits(0.5, 0.5))
    first, second = minute[label == 0], minute[label == 1]
    assert first.mean() == pytest.approx(second.mean(), abs=0.6)
    for k in (0, 1):
        assert abs(side[label == k].sum()) <= 1
    assert np.all(np.diff(minute) >= 1.0 - 1e-9)


def test_white_noise_alone_averages_out():
    noise = QUIET | {"white_reaching_sd": 0.02}
    minute, label, _ = schedule(Habits(0.75, 0.6))
    expected = 0.02**2 * (1 / (label == 0).sum() + 1 / (label == 1).sum())
    assert paired_variance(noise, 95.0, Habits(0.75, 0.6)) == pytest.approx(expected, rel=1e-3)
    assert len(minute) > 15


def test_the_day_cancels_and_the_days_of_the_sets_do_not():
    assert paired_variance(QUIET | {"day_sd": 0.1}, 95.0, Habits()) < 1e-9
    assert paired_variance(QUIET | {"day_set_sd": 0.01}, 95.0, Habits()) == pytest.approx(2 * 0.01**2, rel=1e-3)


def test_habits_of_a_season():
    start = pl.datetime_range(pl.datetime(2027, 6, 1), pl.datetime(2027, 6, 1, 1), "2m", time_unit="us", eager=True)
    windows = pl.DataFrame({"start": start, "end": start.dt.offset_by("45s")})
    assert habits_of(windows, 60.0) == Habits(0.75, pytest.approx(31 * 0.75 / 60.0))
    assert habits_of(windows.head(0), 60.0) == Habits()


# --- bands ---


def test_the_band_of_a_straight_difference_is_exact():
    x = np.arange(6.0, 20.0)
    band = band_about(x, 0.01 * (x - 12.3), np.full(len(x), 0.008), 12.0)
    assert band.low == pytest.approx(12.3 - HALF_90 * 0.8, abs=0.06)
    assert band.high == pytest.approx(12.3 + HALF_90 * 0.8, abs=0.06)
    assert not band.open_low and not band.open_high


def test_a_band_that_reaches_the_end_is_open_there():
    x = np.arange(6.0, 14.0)
    band = band_about(x, 0.01 * (x - 12.3), np.full(len(x), 0.02), 12.0)
    assert band.open_high and band.high == 13.0
    assert band_about(x, np.full(len(x), 0.1), np.full(len(x), 0.02), 12.0) is None


# --- what a test is worth ---


def some_pair():
    rng = np.random.default_rng(2)
    root = rng.normal(0, 0.01, (5, 5))
    place = np.zeros(5, dtype=int), np.arange(5)
    return Pair(0, 1, place, np.array([0.0, 0.004, -0.01, 0.02, 0.001]), root @ root.T, np.arange(1.0, 6.0))


def test_gains_are_what_choosing_after_the_test_saves_by_simulation():
    pair, noise = some_pair(), np.full(5, 1e-4)
    rng = np.random.default_rng(7)
    true = rng.multivariate_normal(pair.mean, pair.cov, 400_000)
    for k in (0, 3):
        seen = true[:, k] + rng.normal(0, 1e-2, len(true))
        slope = pair.cov[:, k] / (pair.cov[k, k] + 1e-4)
        after = pair.mean + (seen - pair.mean[k])[:, None] * slope
        saved = np.where(after > 0, true, 0.0).mean(axis=0) - np.where(pair.mean > 0, true, 0.0).mean(axis=0)
        assert pair.gains(noise)[k] == pytest.approx(pair.weight @ saved, rel=0.06)


def test_a_test_leaves_the_posterior_of_a_measurement():
    pair = some_pair()
    after = pair.tested_at(2, 4e-4).cov
    h = np.eye(5)[2]
    exact = np.linalg.inv(np.linalg.inv(pair.cov + 1e-12 * np.eye(5)) + np.outer(h, h) / 4e-4)
    np.testing.assert_allclose(after, exact, atol=1e-8)


def crossing_fit(doubt: float):
    """Two sets that cross at 12 kn whatever the angle, the more surely the further from 100 deg."""
    tws, twa = np.arange(6.0, 19.0), np.arange(60.0, 141.0, 10.0)
    log_speed = np.full((2, len(tws), len(twa)), np.log(8.0))
    log_speed[1] += 0.008 * (tws - 12.0)[:, None]
    fit = replace(
        no_fit(), sets=("J1", "J2"), tws_kn=tws, twa_deg=twa, log_speed=log_speed,
        supported=np.ones_like(log_speed, dtype=bool), parameters=NOISE,
    )  # fmt: skip
    rng = np.random.default_rng(9)
    here = np.exp(-0.5 * ((twa - 100.0) / 25.0) ** 2) + 0.2
    draws = np.repeat(log_speed[None], 400, axis=0)
    draws[:, 1] += doubt * rng.standard_normal((400, 1, 1)) * here + 0.002 * rng.standard_normal((400, 1, 1))
    crossovers = pl.DataFrame(
        [("J1", "J2", "fixed-angle", "tws_kn", a, 12.0, None, None, "close") for a in twa],
        schema=TABLES["crossovers"].columns, orient="row",
    )  # fmt: skip
    conditions = pl.DataFrame({"tws_kn": [11.0, 12.0, 13.0], "twa_deg": [100.0, 100.0, 60.0], "hours": [5.0, 5.0, 0.1]})
    return fit, draws, crossovers, conditions


def test_the_plan_tests_where_doubt_and_time_are_and_says_what_it_narrows():
    fit, draws, crossovers, conditions = crossing_fit(0.02)
    plan = plan_tests(fit, draws, crossovers, conditions, Habits())
    assert plan.columns[:7] == list(TABLES["test_plan"].columns)
    best = plan.row(0, named=True)
    assert best["rank"] == 1 and {best["set_a"], best["set_b"]} == {"J1", "J2"}
    assert best["twa_deg"] == 100.0 and best["tws_kn"] in (11.0, 12.0)
    sd = draws[:, 1, 6, 4].std()
    assert best["band_now"] == pytest.approx(min(2 * HALF_90 * sd / 0.008, 12.0), rel=0.05)
    assert 0 < best["band_after_half_hour"] < best["band_now"]
    assert plan["worth_s_per_nm"].is_sorted(descending=True)


def test_what_half_an_hour_leaves_is_the_posterior_standard_deviation():
    fit, draws, crossovers, conditions = crossing_fit(0.01)
    row = plan_tests(fit, draws, crossovers, conditions, Habits()).row(0, named=True)
    noise = paired_variance(NOISE, row["twa_deg"], Habits())
    variance = (draws[:, 1] - draws[:, 0])[:, 6, 4].var()
    left = np.sqrt(variance * noise / (variance + noise))
    assert row["band_after_half_hour"] == pytest.approx(2 * HALF_90 * left / 0.008, rel=0.06)


def test_borders_that_are_known_or_never_sailed_need_no_test():
    fit, draws, crossovers, conditions = crossing_fit(0.01)
    elsewhere = conditions.with_columns(pl.lit(17.0).alias("tws_kn"), pl.lit(140.0).alias("twa_deg"))
    far = plan_tests(fit, draws, crossovers, elsewhere, Habits())
    assert far.is_empty() or far["worth_s_per_nm"].max() < 1e-4
    assert plan_tests(fit, draws, crossovers.head(0), conditions, Habits()).is_empty()
    assert plan_tests(no_fit(), np.zeros((0, 0, 0, 0)), crossovers, conditions, Habits()).is_empty()


def test_the_band_of_a_border_in_a_fit():
    fit, draws, *_ = crossing_fit(0.01)
    band = band_on(fit, draws, Line("J1", "J2", "tws_kn", 100.0, 12.0))
    assert band.low < 12.0 < band.high
    assert band_on(fit, draws, Line("J1", "J3", "tws_kn", 100.0, 12.0)) is None


# --- the running order ---


def plan_of(*tests):
    rows = [
        (rank, a, b, tws, twa, 4.0, 2.0, "tws_kn", twa, tws, False, False, 0.1)
        for rank, (a, b, tws, twa) in enumerate(tests, 1)
    ]
    extra = {
        "along": pl.String,
        "at": pl.Float64,
        "crossing": pl.Float64,
        "open_now": pl.Boolean,
        "open_after": pl.Boolean,
        "worth_s_per_nm": pl.Float64,
    }
    return pl.DataFrame(rows, schema={**TABLES["test_plan"].columns, **extra}, orient="row")


def test_a_running_order_says_which_bands_stay_open():
    plan = plan_of(("J1", "J2", 10.0, 45.0))
    assert training_day(plan)["narrows"].unique().to_list() == ["J1 | J2 at 45 deg: from 4.0 to 2.0 kn"]
    still = plan.with_columns(open_now=True, open_after=True)
    assert training_day(still)["narrows"].unique().to_list() == [
        "J1 | J2 at 45 deg: from at least 4.0 to at least 2.0 kn"
    ]


def test_half_hours_follow_each_other_with_what_is_up():
    plan = plan_of(
        ("J1", "J2", 10.0, 45.0), ("A2", "A3", 10.0, 140.0), ("J2", "C0", 9.0, 60.0), ("A3", "C0", 11.0, 100.0)
    )
    order = in_sequence(plan.to_dicts())
    assert [t["rank"] for *_, t in order] == [1, 3, 4, 2]
    for (first, _, _), (begins, _, test) in pairwise(order):
        assert begins == first or first not in (test["set_a"], test["set_b"])
    changes = sum(a != b for (a, _, _), (b, _, _) in pairwise(order))
    assert changes <= 2


def test_a_running_order_for_each_wind_fills_the_day():
    plan = plan_of(("J1", "J2", 10.0, 45.0), ("A2", "A3", 11.0, 140.0), ("J2", "J3", 18.0, 45.0))
    day = training_day(plan)
    assert day["wind_from_kn"].unique().sort().to_list() == [8.0, 16.0]
    light = day.filter(pl.col("wind_from_kn") == 8.0)
    assert light["order"].to_list() == list(range(1, light.height + 1))
    assert light["minutes"].sum() == HALF_HOUR_MIN * 4
    ends = (light["start_minute"] + light["minutes"]).to_list()
    assert light["start_minute"].to_list()[1:] == ends[:-1]
    assert day.filter(pl.col("wind_from_kn") == 16.0)["minutes"].sum() == HALF_HOUR_MIN * 2
    assert light["narrows"][0] == "J1 | J2 at 45 deg: from 4.0 to 2.0 kn"
    assert max(t["minutes"].sum() for t in day.partition_by("wind_from_kn")) <= MOST_HALF_HOURS * HALF_HOUR_MIN
    assert training_day(plan.head(0)).is_empty()

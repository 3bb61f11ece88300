"""The odds of another set's name against brute force, and the audit on a season with a known wrong name."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.campaign.settings import Boat, Instruments
from pipeline.decisions.day_predictions import model_of, predict_days, relabelled
from pipeline.decisions.label_odds import (
    MISLABEL_CHANCE,
    Evidence,
    _interval_means,
    _intervals,
    _log_name,
    _log_place,
    _scan,
    log_likelihoods,
)
from pipeline.decisions.tag_audit import _worth_naming, tag_audit
from pipeline.decisions.usage import Usage
from pipeline.surfaces.model import evaluate
from pipeline.surfaces.season import fit_season

BOAT = Boat(name="known", loa_m=8.0, instruments=Instruments(wind_sensor_height_m=10.0))
RNG = np.random.default_rng(3)


def some_covariance(n):
    root = RNG.normal(size=(n, n))
    return root @ root.T / n + 0.1 * np.eye(n)


def test_the_scan_is_the_ratio_of_two_normal_densities_for_every_sub_stretch():
    n = 7
    cov, delta, surprise = some_covariance(n), RNG.normal(size=n), RNG.normal(size=n)
    inverse = np.linalg.inv(cov)
    score = _scan(delta, inverse @ surprise, inverse)
    normal = stats.multivariate_normal(np.zeros(n), cov)
    for i in range(n):
        for j in range(i, n):
            moved = np.where((np.arange(n) >= i) & (np.arange(n) <= j), delta, 0.0)
            assert score[i, j] == pytest.approx(normal.logpdf(surprise - moved) - normal.logpdf(surprise), abs=1e-9)


def test_an_effect_shared_by_a_part_is_one_more_covariance_term():
    n, part = 6, np.array([0, 1, 1, 1, 0, 0], dtype=bool)
    cov, y, mean = some_covariance(n), RNG.normal(size=n), RNG.normal(size=n)
    found = log_likelihoods(y, mean, cov, part, np.array([0.0, 0.3, 2.0]))
    for sd, value in zip((0.0, 0.3, 2.0), found, strict=True):
        whole = cov + sd**2 * np.outer(part, part)
        assert value == pytest.approx(stats.multivariate_normal(mean, whole).logpdf(y), abs=1e-9)


def test_prior_odds_of_all_names_and_places_sum_to_the_chance_of_a_wrong_name():
    place = np.exp(_log_place(_intervals(1.5 * np.arange(8), np.full(8, 1.5))))
    assert place.sum() == pytest.approx(1.0)
    assert place[0, -1] > place[0, 4] > place[2, 5] > place[3, 3] == 0.0


def test_a_stretch_is_as_long_as_the_clock_says_however_few_its_windows():
    begins, minutes = np.array([0.0, 0.75, 1.5, 4.5]), np.full(4, 0.75)
    long_enough = _intervals(begins, minutes)
    assert not long_enough[0, 2]  # three windows, but 2 1/4 minutes
    assert long_enough[0, 3]  # 3 minutes of windows within 5 1/4 minutes
    assert not long_enough[1, 3]  # 4 1/2 minutes, where 5 are asked for
    assert not long_enough[2, 3]  # two windows


def test_a_name_is_worth_naming_where_the_speeds_fit_it_or_fit_it_much_better():
    sure = Evidence(
        first=0,
        end=9,
        set_number=1,
        log_ratio=5.0,
        log_prior=-3.0,
        log_place=0.0,
        chance=0.9,
        off_logged=0.08,
        off_likelier=0.0,
    )
    assert _worth_naming(sure)
    assert _worth_naming(replace(sure, off_likelier=0.05))
    assert not _worth_naming(replace(sure, off_likelier=0.07))
    # both names fit in the mean, where wrong windows taught the logged set's surface: the ratio decides
    assert _worth_naming(replace(sure, off_logged=0.002, off_likelier=-0.006))
    assert not _worth_naming(replace(sure, off_logged=0.002, off_likelier=-0.02))
    assert not _worth_naming(replace(sure, log_ratio=1.0))


def test_prior_odds_of_a_name_follow_what_is_usually_flown_and_what_was_up_before():
    usage = np.log(np.array([[0.2], [0.5], [0.3]]) * np.ones((3, 4)))
    mistaken = np.exp(_log_name(usage, 0, 1, set())[0, 3])
    assert mistaken == pytest.approx(MISLABEL_CHANCE * 0.5 * 1.0)  # even odds of another name, half of all
    assert np.exp(_log_name(usage, 0, 2, set())[1, 2]) == pytest.approx(MISLABEL_CHANCE * 0.5 * 3 / 7)
    carried = np.exp(_log_name(usage, 0, 1, {1, 2})[0, 3])
    assert carried == pytest.approx(mistaken + MISLABEL_CHANCE * 0.25 * 2.5)


def test_means_over_intervals():
    values = np.array([1.0, 4.0, 1.0, 2.0])
    means = _interval_means(values)
    assert means[0, 3] == pytest.approx(2.0)
    assert means[1, 2] == pytest.approx(2.5)
    assert means[2, 2] == pytest.approx(1.0)


# --- a season with a known answer ---


AHEAD = {"J1": 0.0, "J2": -0.07, "A2": 0.0, "A3": -0.08}
WRONG = (3, 5, "J1", "J2")  # day, turn, set truly up, set as logged


def season_windows():
    """Six days of eight turns of 15 minutes, upwind and down in two sets each, J2 and A3 7 and 8 per cent slower."""
    rng = np.random.default_rng(11)
    rows = []
    for day in range(6):
        effect = rng.normal(0, 0.01)
        wind = rng.uniform(8, 14)
        for turn in range(8):
            upwind = turn % 4 in (0, 1)
            name = (("J1", "J2") if upwind else ("A2", "A3"))[(turn + turn // 4) % 2]
            own = rng.normal(0, 0.003)
            for k in range(9):
                start = datetime(2027, 5, 1 + 2 * day, 10) + timedelta(minutes=15 * turn, seconds=100 * k)
                tws = wind + rng.normal(0, 0.4)
                twa = (42.0 if upwind else 145.0) + rng.normal(0, 2)
                speed = np.log(6.0) + 0.4 * np.log(tws / 10) + 0.003 * (twa - 42) + AHEAD[name] + effect + own
                rows.append(
                    (start, start + timedelta(seconds=60), day, name, tws, twa, np.exp(speed + rng.normal(0, 0.012)))
                )
    columns = ("start", "end", "session", "sail_set", "tws_kn", "twa_deg", "bsp_kn")
    return pl.DataFrame(rows, schema=columns, orient="row").with_columns(pl.col("start", "end").cast(pl.Datetime("us")))


@pytest.fixture(scope="module")
def wrong():
    """The season with one turn under the name of a set that is 7 per cent slower."""
    windows = season_windows()
    day, turn, true, other = WRONG
    start = datetime(2027, 5, 1 + 2 * day, 10) + timedelta(minutes=15 * turn)
    end = start + timedelta(minutes=15)
    there = (pl.col("start") >= start) & (pl.col("start") < end)
    assert set(windows.filter(there)["sail_set"]) == {true}
    renamed = windows.with_columns(pl.when(there).then(pl.lit(other)).otherwise("sail_set").alias("sail_set"))
    return renamed, start, end, true, other, fit_season(renamed, BOAT)


def segments_of(windows):
    runs = windows.with_columns((pl.col("sail_set").rle_id() + 1000 * pl.col("session")).alias("run"))
    return runs.group_by("run", maintain_order=True).agg(
        pl.col("start").first(), pl.col("end").last(), pl.col("sail_set").first()
    )


def test_a_wrong_name_is_found_with_the_right_one(wrong):
    windows, start, end, true, other, fit = wrong
    before = windows.clone()
    audit = tag_audit(windows, segments_of(windows), fit, BOAT)
    assert windows.equals(before)
    hits = audit.filter((pl.col("start") <= end) & (pl.col("end") >= start))
    assert hits["logged"].to_list() == [other]
    assert hits["likelier"].to_list() == [true]
    assert hits["odds"][0] > 20
    assert abs(hits["off_likelier_pct"][0]) < 2 < abs(hits["off_logged_pct"][0])
    assert abs((hits["start"][0] - start).total_seconds()) <= 120
    assert abs((hits["end"][0] - end).total_seconds()) <= 120
    assert audit.height == 1


def test_a_day_is_foretold_as_by_a_fit_without_it(wrong):
    *_, fit = wrong
    model = model_of(fit.basis, BOAT)
    problem, weights = fit.basis.problem, fit.basis.weights
    number = 3
    found = list(predict_days(model))[number]
    others = tuple(d for k, d in enumerate(problem.days) if k != number)
    less = evaluate(
        replace(problem, days=others), fit.basis.posterior.theta, weights, with_gradient=False, with_root=True
    )
    rows = found.rows
    x = model.design[rows]
    labels = model.seen.set_number[rows]
    np.testing.assert_allclose(found.mean[labels, np.arange(len(rows))], x @ less.mean, atol=1e-6)
    half = np.asarray(x @ less.root.T)
    np.testing.assert_allclose(found.believed, half @ half.T, atol=1e-7)


def test_covariances_agree_where_the_name_is_the_logged_one(wrong):
    *_, fit = wrong
    model = model_of(fit.basis, BOAT)
    found = next(iter(predict_days(model)))
    labels = model.seen.set_number[found.rows]
    for k in np.unique(labels):
        mine = np.flatnonzero(labels == k)
        np.testing.assert_allclose(found.across[k][mine], found.believed[mine], atol=1e-9)
        np.testing.assert_allclose(found.own[k][np.ix_(mine, mine)], found.believed[np.ix_(mine, mine)], atol=1e-9)


def test_with_the_right_name_believed_the_two_sets_are_seen_further_apart(wrong):
    _, start, end, true, _, fit = wrong
    model = model_of(fit.basis, BOAT)
    there = np.array([start <= t < end for t in model.seen.starts])
    moved = relabelled(model, np.where(there, model.seen.sets.index(true), model.seen.set_number))
    day, number = next((d, k) for k, d in enumerate(fit.basis.problem.days) if not there[d.block.rows].any())
    upwind = np.abs(model.seen.twa_deg[day.block.rows]) < 60
    apart = []
    for m in (model, moved):
        mean = list(predict_days(m))[number].mean[:, upwind]
        apart.append(np.mean(mean[m.seen.sets.index("J2")] - mean[m.seen.sets.index("J1")]))
    assert apart[1] < apart[0] < 0
    assert apart[1] == pytest.approx(AHEAD["J2"], abs=0.012)
    assert np.array_equal(model.believed, model.seen.set_number)


def test_usage_leaves_the_day_out_and_knows_what_is_flown_where(wrong):
    *_, fit = wrong
    seen = fit.basis.seen
    usage = Usage(seen)
    rows = np.flatnonzero(seen.block == 0)
    share = np.exp(usage.log_share(rows))
    np.testing.assert_allclose(share.sum(axis=0), 1.0)
    upwind = np.abs(seen.twa_deg[rows]) < 50
    jibs = [k for k, s in enumerate(seen.sets) if s.startswith("J")]
    assert share[jibs][:, upwind].sum(axis=0).min() > 0.5
    alone = Usage(seen).log_share(np.arange(seen.count))
    np.testing.assert_allclose(np.exp(alone), 1.0 / len(seen.sets), atol=1e-9)


def test_a_season_of_one_set_has_nothing_to_audit():
    windows = season_windows().filter(pl.col("sail_set") == "J1").head(80)
    audit = tag_audit(windows, segments_of(windows), fit_season(windows, BOAT), BOAT)
    assert audit.is_empty()
    assert audit.columns[:5] == ["start", "end", "logged", "likelier", "odds"]

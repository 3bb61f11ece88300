"""The audit's densities against brute force, its prior, and seasons with known wrong names."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.campaign.settings import Boat, Instruments
from pipeline.decisions.audit_chunks import chunks_of
from pipeline.decisions.likeliest_names import findings
from pipeline.decisions.name_prior import (
    ANY_SHARE,
    CARRIED_SHARE,
    KEEN,
    MISTAKEN_SHARE,
    TURN_WEIGHT,
    NamePrior,
    log_place,
)
from pipeline.decisions.name_search import _scan
from pipeline.decisions.season_under_labels import SeasonUnderLabels, SurfacePrior
from pipeline.decisions.tag_audit import tag_audit
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


def test_shares_of_all_places_sum_to_one_and_the_whole_is_likeliest():
    possible = np.triu(np.ones((8, 8), dtype=bool), 3)
    place = np.exp(log_place(possible, np.zeros(7, dtype=bool)))
    assert place.sum() == pytest.approx(1.0)
    assert place[0, -1] > place[0, 4] > place[2, 5] > place[3, 3] == 0.0


def test_a_wrong_name_ends_sooner_where_the_course_changes():
    possible = np.triu(np.ones((8, 8), dtype=bool))
    place = np.exp(log_place(possible, np.arange(7) == 4))  # between the fifth and the sixth
    assert place.sum() == pytest.approx(1.0)
    assert place[0, 4] == pytest.approx(TURN_WEIGHT * place[0, 3])
    assert place[5, 7] == pytest.approx(TURN_WEIGHT * place[4, 7])
    assert place[2, 4] == pytest.approx(TURN_WEIGHT * place[2, 3])


# --- a season with known answers ---


AHEAD = {"J1": 0.0, "J2": -0.07, "A2": 0.0, "A3": -0.08}
TRUE, OTHER = "J1", "J2"  # truly up, as logged
ONCE, THRICE = ((3, 5),), ((1, 5), (3, 5), (4, 0))  # days and turns under a wrong name


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


def turn_of(day, turn):
    start = datetime(2027, 5, 1 + 2 * day, 10) + timedelta(minutes=15 * turn)
    return start, start + timedelta(minutes=15)


def misnamed(turns, other=OTHER, before=0.0):
    """The season with some turns of J1 under another name, from `before` minutes after they begin; and its fit."""
    windows = season_windows()
    for day, turn in turns:
        start, end = turn_of(day, turn)
        start += timedelta(minutes=before)
        there = (pl.col("start") >= start) & (pl.col("start") < end)
        assert set(windows.filter(there)["sail_set"]) == {TRUE}
        windows = windows.with_columns(pl.when(there).then(pl.lit(other)).otherwise("sail_set").alias("sail_set"))
    return windows, fit_season(windows, BOAT)


@pytest.fixture(scope="module")
def once():
    return misnamed(ONCE)


def segments_of(windows):
    runs = windows.with_columns((pl.col("sail_set").rle_id() + 1000 * pl.col("session")).alias("run"))
    return runs.group_by("run", maintain_order=True).agg(
        pl.col("start").first(), pl.col("end").last(), pl.col("sail_set").first()
    )


def test_a_wrong_name_is_found_with_the_right_one(once):
    windows, fit = once
    before = windows.clone()
    audit = tag_audit(windows, segments_of(windows), fit, BOAT)
    assert windows.equals(before)
    assert audit.select("logged", "likelier").rows() == [(OTHER, TRUE)]
    assert audit["odds"][0] > 20 and audit["chance"][0] > 0.9
    assert abs(audit["off_likelier_pct"][0]) < 2 < abs(audit["off_logged_pct"][0])
    start, end = turn_of(*ONCE[0])
    assert abs((audit["start"][0] - start).total_seconds()) <= 120
    assert abs((audit["end"][0] - end).total_seconds()) <= 120


def test_a_wrong_name_that_recurs_is_found_each_time():
    windows, fit = misnamed(THRICE)
    audit = tag_audit(windows, segments_of(windows), fit, BOAT)
    assert audit.select("logged", "likelier").rows() == [(OTHER, TRUE)] * 3
    for found, turn in zip(audit["start"], THRICE, strict=True):
        assert abs((found - turn_of(*turn)[0]).total_seconds()) <= 120


def test_a_set_that_only_wrong_names_put_there_is_doubted_each_time():
    windows, fit = misnamed(THRICE[:2], "A2")  # a spinnaker close-hauled, on two days
    audit = tag_audit(windows, segments_of(windows), fit, BOAT)
    assert audit.select("logged", "likelier").rows() == [("A2", TRUE)] * 2


def test_a_wrong_name_begins_at_its_window():
    windows, fit = misnamed(ONCE, before=7.0)
    audit = tag_audit(windows, segments_of(windows), fit, BOAT)
    assert audit.select("logged", "likelier").rows() == [(OTHER, TRUE)]
    start, end = turn_of(*ONCE[0])
    assert abs((audit["start"][0] - start - timedelta(minutes=7)).total_seconds()) <= 120
    assert abs((audit["end"][0] - end).total_seconds()) <= 120


def test_what_is_likelier_as_logged_is_named_only_on_demand(once):
    _, fit = once
    (sure,) = findings(fit.basis, BOAT, KEEN)
    assert sure.chance > 0.9
    odds = float(np.exp(sure.piece.gain))
    logged_or_odd = odds * (1.0 / sure.chance - 1.0)
    less = 0.5 / odds  # with so much less suspicion the other name is half as likely as the logged one
    trusting = replace(KEEN, wrong_odds=KEEN.wrong_odds * less)
    chance = 0.5 / (0.5 + logged_or_odd)
    assert list(findings(fit.basis, BOAT, trusting)) == []
    (possible,) = findings(fit.basis, BOAT, trusting, 0.5 * chance)
    assert possible.piece.label == sure.piece.label
    np.testing.assert_array_equal(possible.piece.at, sure.piece.at)
    # a little apart, for the season is told without the name that is no longer believed
    assert possible.chance == pytest.approx(chance, rel=0.2)
    assert list(findings(fit.basis, BOAT, trusting, 1.01 * possible.chance)) == []


def test_a_season_with_right_names_is_left_alone():
    windows, fit = misnamed(())
    assert tag_audit(windows, segments_of(windows), fit, BOAT).is_empty()


def whole_covariance(surfaces, labels, weight):
    """Mean and covariance of all chunks by the definition, each stretch under one label with its weight."""
    chunks, n = surfaces.chunks, surfaces.chunks.count
    cov = np.zeros((n, n))
    across = surfaces.across(labels)
    for i in range(n):
        for j in range(n):
            same_day, same_set = chunks.day[i] == chunks.day[j], labels[i] == labels[j]
            cov[i, j] = across[labels[i], i, j] + chunks.noise[i, j] + surfaces.set_variance * (same_day and same_set)
            if chunks.stretch[i] == chunks.stretch[j] and same_set:
                cov[i, j] += surfaces.stretch_variance / weight[i]
    return surfaces.mean[labels, np.arange(n)], cov


def test_what_the_rest_says_of_renamed_chunks_is_the_conditional_normal_density(once):
    _, fit = once
    surfaces = SurfacePrior(chunks_of(fit.basis, BOAT), fit.basis)
    chunks = surfaces.chunks
    season = SeasonUnderLabels(surfaces, chunks.logged)
    other, logged = fit.sets.index(TRUE), fit.sets.index(OTHER)
    at = np.flatnonzero((chunks.logged == logged) & (chunks.day == 3))
    told = season.told(at, np.full(len(at), other))
    labels = chunks.logged.copy()
    labels[at] = other
    mean, cov = whole_covariance(surfaces, labels, season.weight)
    rest = np.setdiff1d(np.arange(chunks.count), at)
    # a stretch of the chunks has an effect apart from the rest's
    gain = np.linalg.solve(cov[np.ix_(rest, rest)], cov[np.ix_(rest, at)]).T
    surprise = chunks.y[at] - mean[at] - gain @ (chunks.y - mean)[rest]
    np.testing.assert_allclose(told.surprise, surprise, atol=1e-6)
    same = told.stretch[:, None] == told.stretch[None, :]
    own = cov[np.ix_(at, at)] - surfaces.stretch_variance * same / season.weight[at][:, None]
    np.testing.assert_allclose(told.cov, own - gain @ cov[np.ix_(rest, at)], atol=1e-7)
    # the bound on Student's effects is the density itself where they are nothing
    bare = SeasonUnderLabels(surfaces, chunks.logged)
    bare.stretch_variance = 1e-14
    exact = stats.multivariate_normal(np.zeros(len(at)), told.cov).logpdf(told.surprise)
    assert bare.log_evidence(told) == pytest.approx(exact, abs=0.05)


def test_odds_of_a_name_follow_what_is_usually_flown_and_what_was_up_before(once):
    _, fit = once
    chunks = chunks_of(fit.basis, BOAT)
    names = NamePrior(chunks, len(fit.sets), chunks.logged, KEEN)
    at = np.flatnonzero(chunks.unit == chunks.unit[chunks.logged == fit.sets.index(OTHER)][0])
    logged, other = fit.sets.index(OTHER), fit.sets.index(TRUE)
    to_other = np.full(len(at), other)
    share = np.exp(names.log_share(at, at, to_other))
    np.testing.assert_allclose(share.sum(axis=1), 1.0)
    assert share[:, [logged, other]].sum(axis=1).min() > 0.5  # upwind the jibs
    one = at[:1]
    u, v = np.exp(names.log_share(one, one, to_other[:1]))[0, [other, logged]]
    alone = MISTAKEN_SHARE * u / (1 - u) + ANY_SHARE / (len(fit.sets) - 1) * u / v
    assert np.exp(names.log_odds(one, one, to_other[:1], logged, other, frozenset())) == pytest.approx(
        KEEN.wrong_odds * alone
    )
    carried = alone + CARRIED_SHARE / 2 * u / v
    found = names.log_odds(one, one, to_other[:1], logged, other, frozenset({other, 3}))
    assert np.exp(found) == pytest.approx(KEEN.wrong_odds * carried)


def test_a_season_of_one_set_has_nothing_to_audit():
    windows = season_windows().filter(pl.col("sail_set") == "J1").head(80)
    audit = tag_audit(windows, segments_of(windows), fit_season(windows, BOAT), BOAT)
    assert audit.is_empty()
    assert audit.columns[:5] == ["start", "end", "logged", "likelier", "odds"]

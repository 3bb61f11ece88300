"""Steps and trends in estimates of single days whose truth is known."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.calibration.day_scatter import USUAL_DAY_SD, Days, fitted_course, gains, likely_day_sd
from pipeline.calibration.drift_search import LEAST_CHANGE
from pipeline.calibration.drift_steps import Course, find_drift, with_levels

# Error of one day's estimate in parts of the usual scatter of days; each day has its own, half to twice as large.
OWN_ERROR = 0.6


def days_of_a_season(
    seed: int, days: int = 16, *, step: tuple[str, float] | None = None, trend: tuple[str, float] | None = None
) -> tuple[pl.DataFrame, list[date]]:
    rng = np.random.default_rng([seed, days])
    dates = [date(2027, 5, 22) + timedelta(days=int(x)) for x in np.cumsum(rng.choice([1, 1, 2, 5, 6, 7], days))]
    since = np.array([(d - dates[0]).days for d in dates], dtype=float)
    rows = []
    for parameter, usual in USUAL_DAY_SD.items():
        sd = usual * OWN_ERROR * rng.uniform(0.5, 2.0, days)
        value = usual * rng.standard_normal(days) + sd * rng.standard_normal(days)
        if step is not None and step[0] == parameter:
            value[days // 2 :] += step[1]
        if trend is not None and trend[0] == parameter:
            value += trend[1] * since / since[-1]
        rows += [(d, parameter, float(v), float(s)) for d, v, s in zip(dates, value, sd, strict=True)]
    return pl.DataFrame(rows, schema=["day", "parameter", "estimate", "sd"], orient="row"), dates


def all_changes(courses: dict[str, Course]) -> list[object]:
    return [c for course in courses.values() for c in course.changes]


@pytest.mark.parametrize(
    ("parameter", "size"), [("awa_offset_deg", 2.0), ("awa_offset_deg", -2.0), ("boat_speed_factor", 0.03)]
)
def test_a_knocked_sensor_is_found_and_dated(parameter: str, size: float) -> None:
    found = dated = others = 0
    for seed in range(10):
        rows, dates = days_of_a_season(seed, step=(parameter, size))
        courses = find_drift(rows)
        steps = [c for c in courses[parameter].changes if c.kind == "step"]
        found += bool(steps)
        dated += any(abs(dates.index(c.first) - 8) <= 1 and c.earliest <= dates[8] <= c.latest for c in steps)
        others += len(all_changes(courses)) - len(courses[parameter].changes)
        for c in steps[:1]:
            assert c.size == pytest.approx(size, abs=4 * c.size_sd)
    assert found >= 9
    assert dated >= 9
    assert others <= 1


@pytest.mark.parametrize("days", [6, 16])
def test_a_steps_interval_is_that_of_two_means_of_few_days(days: int) -> None:
    """Two levels are taken from the days: Student's quantile (Abramowitz and Stegun, table 26.10)."""
    rows, _ = days_of_a_season(3, days, step=("awa_offset_deg", 4.0))
    (change,) = find_drift(rows)["awa_offset_deg"].changes
    assert change.size_reach / change.size_sd == pytest.approx({6: 2.132, 16: 1.761}[days], abs=5e-4)


def test_clean_seasons_stay_clean() -> None:
    false_alarms = sum(bool(all_changes(find_drift(days_of_a_season(seed)[0]))) for seed in range(100, 120))
    assert false_alarms <= 2  # one season in ten, over all parameters together


def test_a_log_that_fouls_is_a_trend_with_few_periods() -> None:
    trends = 0
    for seed in range(8):
        rows, dates = days_of_a_season(seed, 24, trend=("boat_speed_factor", 0.05))
        course = find_drift(rows)["boat_speed_factor"]
        if [c.kind for c in course.changes] != ["trend"]:
            continue
        trends += 1
        (change,) = course.changes
        assert (change.first, change.last) == (dates[0], dates[-1])
        assert change.size == pytest.approx(0.05, abs=4 * change.size_sd)
        assert 2 <= len(course.stretches) <= 4
        levels = [s.estimate for s in course.stretches]
        assert levels == sorted(levels)
    assert trends >= 6


def test_yesterday_s_knock_shows_on_the_last_day() -> None:
    rows, dates = days_of_a_season(3)
    last = (pl.col("parameter") == "heading_offset_deg") & (pl.col("day") == dates[-1])
    rows = rows.with_columns(pl.when(last).then(pl.col("estimate") + 4.0).otherwise(pl.col("estimate")))
    (change,) = find_drift(rows)["heading_offset_deg"].changes
    assert (change.kind, change.first) == ("step", dates[-1])


def test_a_noted_change_of_a_sensor_dates_a_step_between_two_weak_days() -> None:
    rows, dates = days_of_a_season(9, step=("awa_offset_deg", 2.0))
    weak = pl.col("day").is_in([dates[8]]) & (pl.col("parameter") == "awa_offset_deg")
    says = pl.when(weak).then(0.7).otherwise(pl.col("estimate"))
    rows = rows.with_columns(estimate=says, sd=pl.when(weak).then(2.0).otherwise(pl.col("sd")))
    (alone,) = find_drift(rows)["awa_offset_deg"].changes
    (noted,) = find_drift(rows, [dates[8]])["awa_offset_deg"].changes
    assert alone.first == dates[9] and alone.earliest <= dates[8]
    assert (noted.first, noted.earliest, noted.latest) == (dates[8], dates[8], dates[8])


def test_a_noted_change_alone_is_no_step() -> None:
    found = [find_drift(days_of_a_season(s)[0], [days_of_a_season(s)[1][8]]) for s in range(200, 220)]
    assert sum(bool(all_changes(courses)) for courses in found) <= 3


def test_a_smaller_step_is_never_dated_wrongly_for_sure() -> None:
    named = 0
    for seed in range(10):
        rows, dates = days_of_a_season(seed, step=("awa_offset_deg", 1.0))
        for change in find_drift(rows)["awa_offset_deg"].changes:
            named += 1
            assert change.earliest <= dates[8] <= change.latest
    assert named >= 5


def test_one_odd_day_in_between_is_no_step() -> None:
    rows, dates = days_of_a_season(4)
    odd = (pl.col("parameter") == "heading_offset_deg") & (pl.col("day") == dates[6])
    rows = rows.with_columns(pl.when(odd).then(pl.col("estimate") + 3.0).otherwise(pl.col("estimate")))
    assert find_drift(rows)["heading_offset_deg"].changes == ()


def test_a_change_too_small_to_matter_gets_no_period() -> None:
    size = 0.6 * LEAST_CHANGE["boat_speed_factor"]
    rows, _ = days_of_a_season(5, 30, step=("boat_speed_factor", size))
    sure = rows.with_columns(estimate=pl.col("estimate") * 0.05 + pl.when(pl.col("estimate") > 0).then(0.0), sd=1e-4)
    assert find_drift(sure)["boat_speed_factor"].changes == ()


def test_two_steps_and_the_days_between_them() -> None:
    rows, dates = days_of_a_season(6, 30)
    day = pl.col("day")
    up = pl.when((day >= dates[10]) & (day < dates[20]) & (pl.col("parameter") == "awa_offset_deg")).then(3.0)
    course = find_drift(rows.with_columns(pl.col("estimate") + up.otherwise(0.0)))["awa_offset_deg"]
    assert [c.first for c in course.changes] == [dates[10], dates[20]]
    assert [(s.first, s.end, s.days) for s in course.stretches] == [
        (None, dates[10], 10),
        (dates[10], dates[20], 10),
        (dates[20], None, 10),
    ]


def test_order_of_rows_and_missing_days_do_not_matter() -> None:
    rows, _ = days_of_a_season(7, step=("upwash_deg", 4.0))
    blank = pl.DataFrame(
        [(date(2027, 6, 1), "upwash_deg", float("nan"), 0.5), (date(2027, 6, 2), "upwash_deg", 9.0, 0.0)],
        schema=rows.schema,
        orient="row",
    )
    assert find_drift(pl.concat([blank, rows.reverse()])) == find_drift(rows)
    assert find_drift(rows.head(0)) == {}
    assert find_drift(rows.filter(pl.col("day") <= rows["day"].unique().sort()[2]))["upwash_deg"].changes == ()


def test_levels_from_other_estimates_keep_the_changes() -> None:
    rows, _ = days_of_a_season(8, step=("awa_offset_deg", 3.0))
    course = find_drift(rows)["awa_offset_deg"]
    own = rows.filter(pl.col("parameter") == "awa_offset_deg")
    moved = with_levels(course, own.with_columns(pl.col("estimate") + 1.0))
    assert moved.changes == course.changes
    for before, after in zip(course.stretches, moved.stretches, strict=True):
        assert after.estimate == pytest.approx(before.estimate + 1.0, abs=1e-9)
        assert (after.first, after.end, after.days) == (before.first, before.end, before.days)
    assert with_levels(course, own.head(0)) == course


def test_gains_equal_the_textbook_with_a_known_scatter() -> None:
    # with one day variance only, twice the gain of a step is the square of the two-sample z statistic
    rng = np.random.default_rng(1)
    y = rng.standard_normal(12)
    days = Days(np.arange(12.0), y, np.full(12, 1.0), usual_sd=1e-9, favour=np.zeros(12))
    found = gains(days, y[None], 2, 2)
    for column, k in enumerate(range(2, 11)):
        z = (y[k:].mean() - y[:k].mean()) / np.sqrt(1 / k + 1 / (12 - k))
        assert 2 * found.steps[0, column] == pytest.approx(z**2, rel=1e-6, abs=1e-9)
    slope = stats.linregress(np.arange(12.0), y).slope
    assert 2 * found.trend[0] == pytest.approx(slope**2 * 143.0, rel=1e-6)  # sum of squares about the mean of 0..11


def test_a_weighted_mean_by_hand() -> None:
    days = Days(np.arange(3.0), np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.0, 1.0]), usual_sd=0.5, favour=np.zeros(3))
    value, covariance = fitted_course(days, np.ones((3, 1)), 0.0)
    assert value[0] == pytest.approx((1 + 2 / 4 + 4) / (1 + 1 / 4 + 1))
    assert covariance[0, 0] == pytest.approx(1 / 2.25)


def test_scatter_of_days_is_recovered() -> None:
    rng = np.random.default_rng(2)
    y = 0.8 * rng.standard_normal(400) + 0.3 * rng.standard_normal(400)
    days = Days(np.arange(400.0), y, np.full(400, 0.3), usual_sd=0.5, favour=np.zeros(400))
    assert likely_day_sd(days, np.ones((400, 1))) == pytest.approx(0.8, rel=0.25)  # to a step of the grid

"""One clock out of the times met. Rollover dates: gps.gov, support/user/rollover; the rest by calculation."""

from datetime import date, datetime

import numpy as np
import pytest

from pipeline.ingest.clock import (
    BACKWARD_COUNT,
    DAY,
    NO_TIME,
    ROLLOVER_COUNT,
    SECOND,
    Anchors,
    Clock,
    build_clock,
    civil_days,
    full_year,
)

T0 = int((datetime(2027, 6, 12, 10) - datetime(1970, 1, 1)).total_seconds()) * SECOND


def anchors(place, seconds, *, base=T0, dated=True, own=False) -> Anchors:
    time_us = base + np.rint(np.asarray(seconds, float) * SECOND).astype(np.int64)
    return Anchors(np.asarray(place, np.int64), time_us, dated, own)


def seconds_at(clock: Clock, place, base=T0) -> list[float | None]:
    return [None if t == NO_TIME else (t - base) / SECOND for t in clock.at(np.asarray(place, np.int64))]


def test_calendar() -> None:
    for d in (date(2024, 2, 29), date(2000, 2, 29), date(1999, 8, 22), date(1970, 1, 1), date(2079, 12, 31)):
        days, ok = civil_days(np.array([d.year]), np.array([d.month]), np.array([d.day]))
        assert ok.all()
        assert days[0] == (d - date(1970, 1, 1)).days
    impossible = [(2023, 2, 29), (1900, 2, 29), (2024, 1, 32), (2024, 13, 1), (2024, 0, 1), (2024, 1, 0)]
    assert not civil_days(*(np.array(x) for x in zip(*impossible, strict=True)))[1].any()


def test_two_digit_years() -> None:
    assert full_year(np.array([80, 94, 99, 0, 8, 79])).tolist() == [1980, 1994, 1999, 2000, 2008, 2079]


def test_between_two_anchors_time_runs_with_the_sentences() -> None:
    clock = build_clock([anchors([2, 12], [0, 1])], None)
    assert seconds_at(clock, [2, 4, 7, 12]) == [0.0, 0.2, 0.5, 1.0]
    assert seconds_at(clock, [0, 22, 111, 113]) == [pytest.approx(-0.2), pytest.approx(2.0), pytest.approx(10.9), None]


def test_a_pause_in_the_log_is_not_filled() -> None:
    clock = build_clock([anchors([0, 10, 20, 30, 40], [0, 1, 2, 3602, 3603])], None)
    assert seconds_at(clock, [22, 24, 26, 29, 35]) == pytest.approx([2.2, 2.4, 3601.6, 3601.9, 3602.5])
    slow = build_clock([anchors([0, 10, 20, 80, 90], [0, 1, 2, 3602, 3603])], None)
    assert seconds_at(slow, [29, 50, 75]) == [pytest.approx(2.9), None, pytest.approx(3601.5)]


def test_a_receiver_that_falls_silent_while_the_others_talk_on_is_bridged() -> None:
    clock = build_clock([anchors([0, 10, 20, 620, 630], [0, 1, 2, 62, 63])], None)
    assert seconds_at(clock, [320]) == [pytest.approx(32.0)]


def test_time_that_goes_back_is_kept_and_counted() -> None:
    clock = build_clock([anchors([0, 10, 20, 30], [100, 101, 50, 51])], None)
    assert clock.counts == {BACKWARD_COUNT: 1}
    assert seconds_at(clock, [10, 13, 17, 20]) == pytest.approx([101.0, 101.3, 49.7, 50.0])


def test_the_lesser_source_speaks_only_in_gaps() -> None:
    better = anchors([10, 20, 100, 110], [1, 2, 10, 11])
    lesser = anchors(range(5, 125, 10), np.arange(5, 125, 10) / 10 - 1)  # a second behind
    quiet = build_clock([better, lesser], None)
    assert seconds_at(quiet, [15]) == [1.5]
    assert 35 in quiet.place
    assert 15 not in quiet.place


def test_a_coarse_clock_is_anchored_where_it_ticks() -> None:
    # As in the log ocean-start-2008: the receiver's clock shows tens of seconds.
    place = np.arange(0, 1000, 10)
    truth = 3.0 + place / 10
    clock = build_clock([anchors(place, np.floor(truth / 10) * 10)], None)
    got = np.array(seconds_at(clock, np.arange(100, 900)), float)
    assert np.abs(got - (3.0 + np.arange(100, 900) / 10)).max() <= 1.0


def test_midnight_with_times_of_day_only() -> None:
    # 23:59:59.99, then 00:00:00.00 with no date: the next day.
    clock = build_clock([anchors([0, 1], [86399.99, 0.0], base=0, dated=False)], None)
    assert not clock.dated
    assert clock.time_us.tolist() == [86_399_990_000, DAY]


def test_times_of_day_take_the_date_from_dated_anchors_near_by() -> None:
    rmc = anchors([0], [0], base=T0)
    gga = anchors(range(100, 5000, 100), (36000 + np.arange(100, 5000, 100) * 30) % 86400, base=0, dated=False)
    clock = build_clock([rmc, gga], None)
    assert clock.dated
    assert seconds_at(clock, [100, 3000, 4900]) == [3000.0, 90000.0, 147000.0]


def test_dates_1024_weeks_off() -> None:
    # The receiver of gpsd's april6_2019.log: 1999-08-22 is really 2019-04-07.
    wrong = int((datetime(1999, 8, 22, 0, 2, 31) - datetime(1970, 1, 1)).total_seconds()) * SECOND
    right = int((datetime(2019, 4, 7, 0, 2, 31) - datetime(1970, 1, 1)).total_seconds()) * SECOND
    for season in (None, (date(2019, 4, 1), date(2019, 4, 30))):
        clock = build_clock([anchors([0, 5], [0, 1], base=wrong)], season)
        assert clock.time_us[0] == right
        assert clock.counts == {ROLLOVER_COUNT: 2}
    for season in ((date(1999, 8, 1), date(1999, 9, 1)), (date(2027, 6, 1), date(2027, 9, 1))):
        clock = build_clock([anchors([0, 5], [0, 1], base=wrong)], season)
        assert clock.time_us[0] == wrong
        assert clock.counts == {}


def test_a_plausible_date_is_moved_only_for_a_season_that_says_so() -> None:
    base = T0 - 7168 * DAY  # 2007
    assert build_clock([anchors([0], [0], base=base)], None).time_us[0] == base
    assert build_clock([anchors([0], [0], base=base)], (date(2027, 5, 1), date(2027, 8, 1))).time_us[0] == T0
    stamps = [Anchors(np.array([0]), np.array([0]), own=True, satellite=False)]
    assert build_clock(stamps, None).time_us[0] == 0


def test_no_time_at_all() -> None:
    assert seconds_at(build_clock([], None), [0, 5]) == [None, None]
    assert seconds_at(build_clock([anchors([], [])], None), [0]) == [None]
    assert seconds_at(build_clock([anchors([3], [0])], None), []) == []


def test_lines_with_their_own_time_keep_it() -> None:
    clock = build_clock([anchors([0, 1, 2, 3, 4], [0, 0, 0, 1, 1], own=True)], None)
    assert seconds_at(clock, range(5)) == [0, 0, 0, 1, 1]

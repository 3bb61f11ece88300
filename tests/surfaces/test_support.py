"""What is left blank, and what is given although its interval is wide."""

from __future__ import annotations

import numpy as np

from pipeline.surfaces import support

NARROW = 0.5 * support.WIDEST_HALF_INTERVAL / support.HALF_90
WIDE = 0.9 * support.WIDEST_DECIDED / support.HALF_90
NOWHERE = np.zeros((2, 3), dtype=bool)


def test_narrow_intervals_are_useful_and_wide_ones_only_where_the_question_is_decided() -> None:
    log_speed = np.array([[2.0, 2.0, 2.0], [2.0 - 3 * WIDE, 2.0 + 3 * WIDE, 2.0 + 0.5 * WIDE]])
    sd = np.array([[NARROW] * 3, [WIDE] * 3])
    found = support.useful(log_speed, sd, np.ones((2, 3), dtype=bool), NOWHERE)
    assert found[0].all()
    assert found[1].tolist() == [True, True, False]


def test_an_expected_leader_is_given_if_it_leads_by_more_than_its_doubt_and_is_not_alone() -> None:
    sd = np.array([[NARROW] * 3, [WIDE] * 3])
    much, little = (support.LEADS_BY + 0.3) * WIDE, (support.LEADS_BY - 0.3) * WIDE
    log_speed = np.array([[2.0] * 3, [2.0 + much, 2.0 + little, 2.0 + much]])
    grounded = np.array([[True, True, False], [False] * 3])
    found = support.useful(log_speed, sd, grounded, np.array([[False] * 3, [True] * 3]))
    assert found[1].tolist() == [True, False, False]
    assert not support.useful(log_speed, sd, grounded, NOWHERE)[1].any()


def test_nothing_is_useful_without_ground_or_alone_with_a_wide_interval() -> None:
    level, no, yes = np.zeros((1, 1)), np.zeros((1, 1), dtype=bool), np.ones((1, 1), dtype=bool)
    assert not support.useful(level, np.full((1, 1), NARROW), no, no).any()
    assert not support.useful(level, np.full((1, 1), WIDE), yes, yes).any()


def test_one_quarter_of_an_hour_is_not_enough_nor_one_day_for_a_leader() -> None:
    at = np.array([10.0]), np.array([100.0])
    here = np.full(12, 10.0), np.full(12, 100.0)
    short, one_day = (support.visits(*here, np.linspace(0.01, end, 12), *at) for end in (0.2, 3.0))
    two_days = support.visits(*here, np.r_[np.linspace(0.0, 1.0, 6), np.linspace(24.0, 25.0, 6)], *at)
    assert not short.well.any() and not short.loosely.any()
    assert one_day.well.all() and not one_day.loosely.any()
    assert two_days.well.all() and two_days.loosely.all()
    assert not support.visits(*(x[:0] for x in (*here, here[0])), *at).well.any()


def test_reach_is_shorter_close_to_the_wind() -> None:
    def reaches(twa_deg: float, by_deg: float) -> bool:
        one = np.array([10.0])
        return bool(support.within_reach(one, np.array([twa_deg]), one, np.array([twa_deg + by_deg]))[0])

    assert reaches(100.0, 15.0) and not reaches(45.0, -10.0)

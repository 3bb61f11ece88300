"""What is left blank, and what is given although its interval is wide."""

from __future__ import annotations

import numpy as np

from pipeline.surfaces import support

NARROW = 0.5 * support.WIDEST_HALF_INTERVAL / support.HALF_90
WIDE = 0.9 * support.WIDEST_DECIDED / support.HALF_90
NOWHERE, EVERYWHERE = np.full((2, 3), np.inf), np.ones((2, 3), dtype=bool)


def test_narrow_intervals_are_useful_and_wide_ones_only_where_the_question_is_decided() -> None:
    log_speed = np.array([[2.0, 2.0, 2.0], [2.0 - 3 * WIDE, 2.0 + 3 * WIDE, 2.0 + 0.5 * WIDE]])
    sd = np.array([[NARROW] * 3, [WIDE] * 3])
    found = support.useful(log_speed, sd, EVERYWHERE, EVERYWHERE, NOWHERE)
    assert found[0].all()
    assert found[1].tolist() == [True, True, False]


def test_an_expected_leader_is_given_if_it_leads_by_more_than_its_doubt_and_is_not_alone() -> None:
    sd = np.array([[NARROW] * 3, [WIDE] * 3])
    doubt = (WIDE**2 - NARROW**2) / support.LEADER_SCALE + support.LEAST_LEAD
    log_speed = np.array([[2.0] * 3, [2.0 + 1.2 * doubt, 2.0 + 0.8 * doubt, 2.0 + 1.2 * doubt]])
    grounded = np.array([[True, True, False], [False] * 3])
    hopeful = np.array([[np.inf] * 3, [1.0] * 3])
    assert support.useful(log_speed, sd, grounded, grounded, hopeful)[1].tolist() == [True, False, False]
    assert not support.useful(log_speed, sd, grounded, grounded, 2.0 * hopeful)[1].any()
    assert not support.useful(log_speed, sd, grounded, grounded, NOWHERE)[1].any()


def test_where_nothing_is_supported_the_leader_of_those_within_reach_is_given_if_it_is_known_well_enough() -> None:
    more = (WIDE**2 - NARROW**2) / support.LEADER_SCALE + support.LEAST_LEAD
    log_speed = np.array([[2.0, 2.0, 2.0], [2.0 + 1.2 * more, 2.0 + 0.8 * more, 2.0 + 1.2 * more]])
    sd, hopeful = np.array([[NARROW] * 3, [WIDE] * 3]), np.ones((2, 3))
    reached = np.array([[True, True, False], [True] * 3])  # in the third place there is nothing to lead
    found = support.useful(log_speed, sd, reached, ~EVERYWHERE, hopeful)
    assert found.tolist() == [[False, False, False], [True, False, False]]
    too_wide = np.where([[False], [True]], 1.2 * support.WIDEST_DECIDED / support.HALF_90, sd)
    ahead = log_speed + np.array([[0.0], [0.2]])
    assert not support.useful(ahead, too_wide, EVERYWHERE, ~EVERYWHERE, hopeful).any()
    assert not support.useful(log_speed, sd, EVERYWHERE, ~EVERYWHERE, NOWHERE).any()


def test_a_large_lead_is_given_however_wide_its_interval() -> None:
    sd = 0.06
    need = sd**2 / support.LEADER_SCALE + support.LEAST_LEAD
    log_speed = np.array([[2.0] * 2, [2.0 + 0.9 * need, 2.0 + 1.1 * need]])
    grounded, hopeful = np.array([[True] * 2, [False] * 2]), np.array([[np.inf] * 2, [1.0] * 2])
    found = support.useful(log_speed, np.array([[NARROW] * 2, [sd] * 2]), grounded, grounded, hopeful)
    assert found[1].tolist() == [False, True]


def test_of_two_expected_leaders_only_the_surer_is_given() -> None:
    log_speed = np.array([[2.0], [2.08], [2.085]])
    sd = np.array([[NARROW], [0.02], [0.03]])
    grounded = np.array([[True], [False], [False]])
    found = support.useful(log_speed, sd, grounded, grounded, np.array([[np.inf], [1.0], [1.0]]))
    assert found[:, 0].tolist() == [True, True, False]


def test_nothing_is_useful_without_ground_or_alone_with_a_wide_interval() -> None:
    level, no, yes = np.zeros((1, 1)), np.zeros((1, 1), dtype=bool), np.ones((1, 1), dtype=bool)
    assert not support.useful(level, np.full((1, 1), NARROW), no, no, np.full((1, 1), np.inf)).any()
    assert not support.useful(level, np.full((1, 1), WIDE), yes, yes, np.ones((1, 1))).any()


def test_one_quarter_of_an_hour_is_no_visit_and_one_day_alone_is_told_apart() -> None:
    at = np.array([10.0]), np.array([100.0])
    here = np.full(12, 10.0), np.full(12, 100.0)
    short, one_day = (support.visits(*here, np.linspace(0.01, end, 12), *at) for end in (0.2, 3.0))
    two_days = support.visits(*here, np.r_[np.linspace(0.0, 1.0, 6), np.linspace(24.0, 25.0, 6)], *at)
    assert not short.well.any() and not short.loosely.any()
    assert one_day.well.all() and one_day.loosely.all() and not one_day.often.any()
    assert two_days.well.all() and two_days.often.all()
    assert not support.visits(*(x[:0] for x in (*here, here[0])), *at).well.any()


def test_reach_is_shorter_close_to_the_wind() -> None:
    def reaches(twa_deg: float, by_deg: float) -> bool:
        one = np.array([10.0])
        return bool(support.within_reach(one, np.array([twa_deg]), one, np.array([twa_deg + by_deg]))[0])

    assert reaches(100.0, 15.0) and not reaches(45.0, -10.0)

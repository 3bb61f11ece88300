"""What is left blank, and what is given although its interval is wide."""

from __future__ import annotations

import numpy as np

from pipeline.surfaces import support

NARROW = 0.5 * support.WIDEST_HALF_INTERVAL / support.HALF_90
WIDE = 0.5 * support.WIDEST_DECIDED / support.HALF_90


def test_narrow_intervals_are_useful_and_wide_ones_only_where_the_question_is_decided() -> None:
    log_speed = np.array([[2.0, 2.0, 2.0], [2.0 - 3 * WIDE, 2.0 + 3 * WIDE, 2.0 + 0.5 * WIDE]])
    sd = np.array([[NARROW] * 3, [WIDE] * 3])
    found = support.useful(log_speed, sd, np.ones((2, 3), dtype=bool))
    assert found[0].all()
    assert found[1].tolist() == [True, True, False]


def test_nothing_is_useful_without_ground_or_alone_with_a_wide_interval() -> None:
    level = np.zeros((1, 1))
    assert not support.useful(level, np.full((1, 1), NARROW), np.zeros((1, 1), dtype=bool)).any()
    assert not support.useful(level, np.full((1, 1), WIDE), np.ones((1, 1), dtype=bool)).any()


def test_one_quarter_of_an_hour_is_not_enough() -> None:
    at = np.array([10.0]), np.array([100.0])
    here = np.full(12, 10.0), np.full(12, 100.0)
    assert not support.well_visited(*here, np.linspace(0.01, 0.2, 12), *at).any()
    assert support.well_visited(*here, np.linspace(0.01, 3.0, 12), *at).all()


def test_reach_is_shorter_close_to_the_wind() -> None:
    def reaches(twa_deg: float, by_deg: float) -> bool:
        one = np.array([10.0])
        return bool(support.within_reach(one, np.array([twa_deg]), one, np.array([twa_deg + by_deg]))[0])

    assert reaches(100.0, 15.0) and not reaches(45.0, -10.0)

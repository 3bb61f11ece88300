"""Shrinkage and symmetry on problems with known answers."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.wind_course import USUAL_DIRECTION, USUAL_SPEED
from pipeline.calibration.wind_fit import BOAT, BY_SET, CHAIN, DayEvidence, parameter_count
from pipeline.calibration.wind_solve import SEASON_UNEVEN_SD_DEG, GroundPrior, solve
from pipeline.calibration.wind_symmetry import DaySymmetry

CHAIN_IN_USE = np.array([0.0, 0.0, 1.0, 1.0, 0.0, 8.0])
OFFSET, UPWASH, AWS = (CHAIN.index(n) for n in ("awa_offset_deg", "upwash_deg", "aws_factor"))


def _evidence(truth: np.ndarray, sd: np.ndarray, days: int) -> DayEvidence:
    """Independent evidence on each parameter, shared evenly among the days; sd infinite: none."""
    precision = np.array([np.diag(sd**-2.0) / days] * days)
    return DayEvidence(precision, precision @ truth, USUAL_DIRECTION, USUAL_SPEED)


def _sets(upwash: tuple[float, ...], sd: tuple[float, ...] | float) -> DayEvidence:
    """Evidence on the upwash of each set, boat and departure together; sd infinite: none."""
    p = parameter_count(len(upwash))
    precision, weighed = np.zeros((1, p, p)), np.zeros((1, p))
    for k, (value, own_sd) in enumerate(zip(upwash, np.broadcast_to(sd, len(upwash)), strict=True)):
        row = np.zeros(p)
        row[UPWASH] = row[len(BOAT) + k] = 1.0
        precision[0] += np.outer(row, row) / own_sd**2
        weighed[0] += row * value / own_sd**2
    return DayEvidence(precision, weighed, USUAL_DIRECTION, USUAL_SPEED)


def test_strong_evidence_is_taken_as_it_is_and_its_absence_leaves_the_prior():
    p = parameter_count(0)
    truth, sd = np.zeros(p), np.full(p, np.inf)
    truth[[OFFSET, UPWASH]] = 1.3, 2.5
    sd[[OFFSET, UPWASH]] = 0.01, 0.01
    found = solve(_evidence(truth, sd, 8), None, np.zeros(0), CHAIN_IN_USE, None)
    assert found.mean[UPWASH] == pytest.approx(2.5, abs=1e-4)
    assert found.covariance[UPWASH, UPWASH] == pytest.approx(1e-4, rel=1e-3)
    # days may differ, so eight of them leave more doubt in the offset than the evidence itself
    assert found.mean[OFFSET] == pytest.approx(1.3, abs=1e-3)
    assert found.covariance[OFFSET, OFFSET] > 1e-4
    assert found.covariance[AWS, AWS] == pytest.approx(0.1**2, rel=1e-6)


def test_a_ground_prior_is_kept_where_the_wind_says_nothing():
    p = parameter_count(0)
    prior = GroundPrior(np.array([1.03, -1.2, np.nan]), np.diag([0.002**2, 0.2**2, np.nan]))
    found = solve(_evidence(np.zeros(p), np.full(p, np.inf), 4), None, np.zeros(0), CHAIN_IN_USE, prior)
    at = [CHAIN.index(n) for n in ("boat_speed_factor", "heading_offset_deg", "leeway_coefficient")]
    np.testing.assert_allclose(found.mean[at], [0.03, -1.2, 0.0], atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)[at]), [0.002, 0.2, 2.0], rtol=1e-2)


def test_sets_without_data_take_the_boats_value_with_a_wider_interval():
    sets = 4
    evidence = _sets((3.0, 2.0, 2.6, 0.0), (0.1, 0.1, 0.1, np.inf))  # the fourth set never flown
    found = solve(evidence, None, np.zeros(sets * len(BY_SET)), CHAIN_IN_USE, None)
    value = found.mean[UPWASH] + found.mean[len(BOAT) : len(BOAT) + sets]
    np.testing.assert_allclose(value[:3], [3.0, 2.0, 2.6], atol=0.06)
    assert (np.diff(value[[1, 2, 0]]) > 0).all() and value[0] < 3.0 and value[1] > 2.0  # drawn to each other
    assert value[3] == pytest.approx(np.mean([3.0, 2.0, 2.6]), abs=0.1)
    own = np.sqrt(np.diag(found.covariance)[len(BOAT) : len(BOAT) + sets])
    assert own[3] > own[:3].max()


def test_a_departure_in_use_counts_as_a_departure():
    """A set written 2 deg apart in boat.toml without any evidence is drawn back to the boat's own."""
    p = parameter_count(1)
    none = _evidence(np.zeros(p), np.full(p, np.inf), 1)
    found = solve(none, None, np.array([2.0, 0.0]), CHAIN_IN_USE, None)
    assert found.mean[len(BOAT)] == pytest.approx(-2.0, abs=1e-6)


@pytest.mark.parametrize("departures", [(0.0, 0.0, 0.0), (1.5, -1.0, 0.0)])
def test_sets_that_are_as_in_use_are_told_from_sets_that_are_not(departures: tuple[float, ...]):
    """Whatever stands in boat.toml: what counts is whether it needs a change, and the boat's own is no part of it."""
    in_use = np.array([*departures, 0.0, 0.0, 0.0])
    alike = solve(_sets((1.0, 1.0, 1.0), 0.2), None, in_use, CHAIN_IN_USE, None)
    apart = solve(_sets((2.5, -0.5, 1.0), 0.2), None, in_use, CHAIN_IN_USE, None)
    # scatter of the evidence's own size is no sign of a difference
    unsure = solve(_sets((2.5, -0.5, 1.0), 2.0), None, in_use, CHAIN_IN_USE, None)
    assert alike.sets_as_in_use > 0.3
    assert apart.sets_as_in_use < 1e-3
    assert 0.02 < unsure.sets_as_in_use < alike.sets_as_in_use


def _symmetry(offset_deg: np.ndarray, *, run: bool, turn: float, sd_deg: float = 0.1) -> DaySymmetry:
    """One row a day."""
    days = len(offset_deg)
    return DaySymmetry(
        np.arange(days),
        np.full(days, run),
        offset_deg,
        np.full(days, sd_deg),
        np.full(days, 6),
        np.full(days, turn),
    )


def _both(a: DaySymmetry, b: DaySymmetry) -> DaySymmetry:
    return DaySymmetry(*(np.concatenate((getattr(a, n), getattr(b, n))) for n in DaySymmetry.__dataclass_fields__))


def test_symmetry_fixes_the_offset_but_no_better_than_a_crew_is_even():
    p = parameter_count(0)
    days = 16
    rng = np.random.default_rng(5)
    symmetry = _symmetry(1.5 + 0.3 * rng.standard_normal(days), run=False, turn=0.7)
    found = solve(_evidence(np.zeros(p), np.full(p, np.inf), days), symmetry, np.zeros(0), CHAIN_IN_USE, None)
    sd = float(np.sqrt(found.covariance[OFFSET, OFFSET]))
    uneven = 0.7 * SEASON_UNEVEN_SD_DEG
    assert found.mean[OFFSET] == pytest.approx(1.5, abs=0.25)
    assert uneven < sd < uneven + 0.15
    assert 0.1 < found.twist_sd_deg < 0.8


def test_runs_tell_the_twist_of_a_day_from_the_offset():
    """Twist turns the apparent wind of a run by more than that of a beat, an offset both alike."""
    p = parameter_count(0)
    days = 3
    twist = np.array([1.6, -0.2, 1.3])
    beats = _symmetry(1.0 + 0.7 * twist, run=False, turn=0.7)
    runs = _symmetry(1.0 + 2.0 * twist, run=True, turn=2.0)
    nothing = _evidence(np.zeros(p), np.full(p, np.inf), days)
    alone = solve(nothing, beats, np.zeros(0), CHAIN_IN_USE, None)
    told = solve(nothing, _both(beats, runs), np.zeros(0), CHAIN_IN_USE, None)
    assert told.covariance[OFFSET, OFFSET] < alone.covariance[OFFSET, OFFSET]
    assert abs(told.mean[OFFSET] - 1.0) < 0.8 * abs(alone.mean[OFFSET] - 1.0)

"""From pieces to evidence: what each day says of the corrections, the wind's course taken out.

The parameters, in this order: those of `CHAIN` for the boat, the nuisances of `BESIDE`, then the departure in upwash of
each sail set, then that in the factor of wind speed. All are changes of the calibration in use.

Wind speed is not asked about upwash: how far |AWA| and gusts go together within a leg would answer instead (on known
boats 2 to 8 deg wrong), and direction says it five times as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.wind_course import (
    USUAL_DIRECTION,
    USUAL_SPEED,
    Course,
    Series,
    evidence,
    fit_course,
)
from pipeline.calibration.wind_legs import legs_of, mean_over_legs
from pipeline.calibration.wind_pieces import Pieces, unwrapped_twd_deg
from pipeline.calibration.wind_response import PERCENT, response, shift
from pipeline.campaign.settings import Boat

CHAIN = (
    "awa_offset_deg",
    "upwash_deg",
    "aws_factor",
    "boat_speed_factor",
    "heading_offset_deg",
    "leeway_coefficient",
)
# What may be wrong beside the chain and look like it: a log that reads otherwise on either tack (share of speed, half
# the difference), and the compass's deviation (deg) by sine and cosine of the heading and of its double.
BESIDE = ("speed_by_tack", "deviation_sin", "deviation_cos", "deviation_sin_double", "deviation_cos_double")
BOAT = CHAIN + BESIDE
BY_SET = ("upwash_deg", "aws_factor")
# Rounds of: linearise, fit the wind's course, solve. The chain is nearly linear over sane corrections.
ROUNDS = 3
# What keeps the rounds sane before the real priors come in: standard deviations about the calibration in use.
_ROUND_SD = {
    "awa_offset_deg": 5.0,
    "upwash_deg": 5.0,
    "aws_factor": 0.1,
    "boat_speed_factor": 0.03,
    "heading_offset_deg": 3.0,
    "leeway_coefficient": 2.0,
    **dict.fromkeys(BESIDE, 0.5),
    "speed_by_tack": 0.004,
}
_ROUND_SET_SD = {"upwash_deg": 0.7, "aws_factor": 0.01}


@dataclass(frozen=True, slots=True)
class DayEvidence:
    """`precision` (days, p, p) and `weighed` (days, p): evidence on the parameters, day by day; days may have none."""

    precision: Floats
    weighed: Floats
    direction: Course
    speed: Course


def parameter_count(sets: int) -> int:
    """Number of parameters for so many sail sets."""
    return len(BOAT) + len(BY_SET) * sets


def beside(by_chain: Floats, pieces: Pieces, of_direction: bool) -> Floats:
    """Columns of `BESIDE` from those of `CHAIN`."""
    by_tack = by_chain[:, CHAIN.index("boat_speed_factor")] * np.sign(pieces.twa_deg)
    heading = np.radians(pieces.hdg_deg)
    swing = np.column_stack((np.sin(heading), np.cos(heading), np.sin(2.0 * heading), np.cos(2.0 * heading)))
    return np.column_stack((by_tack, swing * of_direction))


def spread_to_sets(by_boat: Floats, pieces: Pieces) -> Floats:
    """Columns of `BOAT` widened by the columns of each set's departures: zero where another set is up."""
    up = pieces.sail_set[:, None] == np.arange(len(pieces.sets))[None, :]
    own = [by_boat[:, [BOAT.index(name)]] * up for name in BY_SET]
    return np.column_stack((by_boat, *own))


def corrections_at(change: Floats, pieces: Pieces) -> dict[str, Floats]:
    """The calibration in use with a change of all parameters, at each piece."""
    out = {name: pieces.in_use[name] + change[j] for j, name in enumerate(CHAIN)}
    known = pieces.sail_set >= 0
    sets = len(pieces.sets)
    for k, name in enumerate(BY_SET):
        own = change[len(BOAT) + k * sets : len(BOAT) + (k + 1) * sets]
        out[name] = out[name] + np.where(known, np.append(own, 0.0)[pieces.sail_set], 0.0)
    return out


def collect(pieces: Pieces, manoeuvres: pl.DataFrame, boat: Boat) -> DayEvidence:
    """Evidence of all days, linearised about the solution; the wind's course is fitted on the way."""
    leg = legs_of(pieces, manoeuvres)
    count, p = len(pieces.days), parameter_count(len(pieces.sets))
    measured = unwrapped_twd_deg(pieces), PERCENT * np.log(pieces.tws_kn)
    courses: list[Course] = [USUAL_DIRECTION, USUAL_SPEED]
    added = [np.zeros(len(pieces)), np.zeros(len(pieces))]
    change = np.zeros(p)
    precision, weighed = np.zeros((count, p, p)), np.zeros((count, p))
    groups = [(np.flatnonzero(pieces.chunk == c)) for c in np.unique(pieces.chunk)]
    for turn in range(ROUNDS):
        now = corrections_at(change, pieces)
        moved = shift(pieces, pieces.in_use, now, boat)
        answers = response(pieces, now, boat, CHAIN)
        precision[:], weighed[:] = 0.0, 0.0
        for q in range(2):
            # values(true) = values(now) + answer x (true - now): the wind's course shows once the answer is taken off
            by_boat = np.column_stack((answers[q], beside(answers[q], pieces, of_direction=q == 0)))
            if q == 1:
                by_boat[:, BOAT.index("upwash_deg")] = 0.0
            by_boat = mean_over_legs(by_boat, leg)
            design = -spread_to_sets(by_boat, pieces)
            values = measured[q] + moved[q] + by_boat[:, len(CHAIN) :] @ change[len(CHAIN) : len(BOAT)]
            chunks = [
                Series(pieces.time_s[at], pieces.seconds[at], values[at] - values[at].mean(), added[q][at])
                for at in groups
            ]
            if turn > 0:
                courses[q] = fit_course(chunks, courses[q])
            for at, chunk in zip(groups, chunks, strict=True):
                found = evidence(courses[q], chunk, design[at], np.zeros(p))
                day = pieces.day[at[0]]
                precision[day] += found.precision
                weighed[day] += found.weighed + found.precision @ change
                if turn > 0:
                    added[q][at] = found.far
        change = _rough(precision.sum(axis=0), weighed.sum(axis=0), len(pieces.sets))
    return DayEvidence(precision, weighed, courses[0], courses[1])


def _rough(precision: Floats, weighed: Floats, sets: int) -> Floats:
    sd = [_ROUND_SD[name] for name in BOAT] + [_ROUND_SET_SD[name] for name in BY_SET for _ in range(sets)]
    return np.linalg.solve(precision + np.diag(1.0 / np.square(sd)), weighed)

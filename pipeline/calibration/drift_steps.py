"""Steps and trends of a calibration parameter in mid-season, from the estimates of single days.

Method: (1) a constant course is held against a step before each day and against a linear trend, by the likelihood of
`day_scatter`; (2) the gain of the best is held against the same gain in simulated seasons that have no change, with the
same days, errors and scatter, so that the share of seasons with a false alarm is chosen and not hoped for; (3) what is
found parts the season, and each part is searched again; (4) each step is dated again with the others in place;
(5) levels and day scatter follow by restricted likelihood.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Literal

import numpy as np
import polars as pl
from scipy import stats

from pipeline.angles import Floats
from pipeline.calibration.day_scatter import (
    USUAL_DAY_SD,
    Days,
    fitted_course,
    gains,
    likely_day_sd,
)
from pipeline.calibration.drift_search import LEAST_CHANGE, Part, design_of, middle_of, search

# Share of seasons without any change in which something is reported all the same, over the ground's parameters together
# and over the wind's; and the part of it that goes to each: a knocked vane, a fouled log, a turned compass are what
# happens.
FALSE_ALARMS = 0.05
PART: Mapping[str, float] = {
    "boat_speed_factor": 0.5,
    "heading_offset_deg": 0.4,
    "leeway_coefficient": 0.1,
    "awa_offset_deg": 0.6,
    "aws_factor": 0.25,
    "upwash_deg": 0.15,
}
# A logged change of a sensor makes a step before that day so many times likelier than before another.
LOGGED_ODDS = 20.0
# A trend is proposed as periods of about this change each, no more of them than stated.
MOST_PERIODS_OF_A_TREND = 4
# Days that together hold this much of the probability are named as possible.
DATED = 0.9


@dataclass(frozen=True, slots=True)
class Change:
    """One step or trend of one parameter.

    `first` is the first day of the new state (of a trend: where it begins), `last` the end of a trend (None for a
    step); `earliest`, `latest`: days between which a step lies with 90 % probability. `size`, its `size_sd` and
    `size_reach` (half width of its 90 % interval) in the parameter's unit; `chance`: share of seasons without change
    that show as much, of this parameter.
    """

    parameter: str
    kind: Literal["step", "trend"]
    first: date
    last: date | None
    earliest: date
    latest: date
    size: float
    size_sd: float
    size_reach: float
    chance: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """From day `first` (inclusive, None: the season's beginning) to day `end` (exclusive, None: its end) one value."""

    first: date | None
    end: date | None
    estimate: float
    sd: float
    days: int


@dataclass(frozen=True, slots=True)
class Course:
    """A parameter through the season: its changes, the stretches to propose values for, and the scatter of days."""

    parameter: str
    changes: tuple[Change, ...]
    stretches: tuple[Stretch, ...]
    day_sd: float
    days: int


def find_drift(per_day: pl.DataFrame, logged: Sequence[date] = ()) -> dict[str, Course]:
    """Course of every parameter of `per_day` (`day, parameter, estimate, sd`; rows without a finite estimate or sd are
    passed over). `logged`: days on which somebody noted that a sensor was changed.

    Parameters with fewer than four days are taken as constant. The same rows in any order give the same result.
    """
    known = per_day.filter(pl.col("estimate").is_finite() & pl.col("sd").is_finite() & (pl.col("sd") > 0))
    names = sorted(set(known["parameter"].to_list()))
    return {
        name: course_of(
            known.filter(pl.col("parameter") == name), name, FALSE_ALARMS * PART.get(name, 1.0 / len(names)), logged
        )
        for name in names
    }


def with_levels(course: Course, rows: pl.DataFrame) -> Course:
    """The course with the same changes and stretches, its levels and day scatter from other estimates of the days.

    A stretch without any day in `rows` (columns of `find_drift`) keeps its level.
    """
    rows = rows.filter(pl.col("estimate").is_finite() & (pl.col("sd") > 0)).sort("day")
    dates, days = _days(rows, course.parameter)
    at = [max(i for i, s in enumerate(course.stretches) if s.first is None or s.first <= d) for d in dates]
    held = sorted(set(at))
    if not held:
        return course
    design = np.array([[float(i == j) for j in held] for i in at])
    day_sd = likely_day_sd(days, design)
    values, covariance = fitted_course(days, design, day_sd)
    stretches = list(course.stretches)
    for k, j in enumerate(held):
        sd = float(np.sqrt(covariance[k, k]))
        stretches[j] = replace(stretches[j], estimate=float(values[k]), sd=sd, days=at.count(j))
    return replace(course, stretches=tuple(stretches), day_sd=day_sd)


def course_of(rows: pl.DataFrame, parameter: str, allowed: float, logged: Sequence[date] = ()) -> Course:
    """Course of one parameter; `allowed`: share of seasons without change in which one may be reported."""
    rows = rows.sort("day", "estimate", "sd")
    dates, days = _days(rows, parameter, logged)
    parts = search(days, parameter, allowed)
    design = design_of(days, parts)
    day_sd = likely_day_sd(days, design)
    values, covariance = fitted_course(days, design, day_sd)
    changes = _changes(days, parts, dates, parameter, values, covariance)
    return Course(parameter, changes, _stretches(days, parts, dates, parameter, values, covariance), day_sd, len(days))


def _days(rows: pl.DataFrame, parameter: str, logged: Sequence[date] = ()) -> tuple[list[date], Days]:
    """Dates and estimates of one parameter's rows, which are in order of time."""
    dates = rows["day"].cast(pl.Date).to_list()
    t = np.array([(d - dates[0]).days for d in dates], dtype=float)
    usual = USUAL_DAY_SD.get(parameter, float(rows["sd"].median() or 1.0))  # type: ignore[arg-type]
    favour = np.zeros(len(dates))
    # what was noted on a day, or since the day before it, holds from that day on
    favour[[k for k in (bisect_left(dates, d) for d in logged) if k < len(dates)]] = np.log(LOGGED_ODDS)
    return dates, Days(t, rows["estimate"].to_numpy().astype(float), rows["sd"].to_numpy().astype(float), usual, favour)


def _columns(parts: list[Part]) -> list[int]:
    """Column of each part's level; the slope stands behind it."""
    return [i + sum(p.sloping for p in parts[:i]) for i in range(len(parts))]


def _changes(
    days: Days, parts: list[Part], dates: list[date], parameter: str, values: Floats, covariance: Floats
) -> tuple[Change, ...]:
    out: list[Change] = []
    at = _columns(parts)
    # the scatter of the days is known from these few days alone (Student)
    reach = float(stats.t.ppf(0.95, max(len(days) - len(values), 1)))
    for i, p in enumerate(parts):
        if i > 0:
            combine = np.zeros(len(values))
            for j, sign in ((i - 1, -1.0), (i, 1.0)):
                edge = days.t[parts[i].first if j == i else parts[i].first - 1]
                combine[at[j]] = sign
                if parts[j].sloping:
                    combine[at[j] + 1] = sign * (edge - middle_of(days, parts[j]))
            early, late = _possible(days, parts[i - 1], p)
            size, sd = float(combine @ values), float(np.sqrt(combine @ covariance @ combine))
            out.append(
                Change(
                    parameter, "step", dates[p.first], None, dates[early], dates[late], size, sd, reach * sd, p.chance
                )
            )
        if p.sloping:
            span = float(days.t[p.end - 1] - days.t[p.first])
            size, sd = span * float(values[at[i] + 1]), span * float(np.sqrt(covariance[at[i] + 1, at[i] + 1]))
            first, last = dates[p.first], dates[p.end - 1]
            out.append(Change(parameter, "trend", first, last, first, first, size, sd, reach * sd, p.chance))
    return tuple(out)


def _possible(days: Days, before: Part, after: Part) -> tuple[int, int]:
    """First and last day on which the step between two level parts may lie."""
    if before.sloping or after.sloping:
        return after.first, after.first
    both = days.part(before.first, after.end)
    found = gains(both, both.estimate[None], 1, 1).steps[0]
    share = np.exp(found - found.max())
    share /= share.sum()
    order = np.argsort(-share)
    held = order[: int(np.searchsorted(np.cumsum(share[order]), DATED)) + 1]
    return before.first + 1 + int(held.min()), before.first + 1 + int(held.max())


def _stretches(
    days: Days, parts: list[Part], dates: list[date], parameter: str, values: Floats, covariance: Floats
) -> tuple[Stretch, ...]:
    pieces: list[tuple[int, int, Floats]] = []
    at = _columns(parts)
    for i, p in enumerate(parts):
        cuts = [p.first, p.end]
        if p.sloping:
            climb = abs(float(values[at[i] + 1])) * float(days.t[p.end - 1] - days.t[p.first])
            least = LEAST_CHANGE.get(parameter, climb / MOST_PERIODS_OF_A_TREND)
            number = int(np.clip(round(climb / least) + 1, 2, min(MOST_PERIODS_OF_A_TREND, p.end - p.first)))
            cuts = [int(c) for c in np.unique(np.linspace(p.first, p.end, number + 1).round())]
        for a, b in pairwise(cuts):
            combine = np.zeros(len(values))
            combine[at[i]] = 1.0
            if p.sloping:
                combine[at[i] + 1] = float(np.mean(days.t[a:b])) - middle_of(days, p)
            pieces.append((a, b, combine))
    return tuple(
        Stretch(
            None if j == 0 else dates[a],
            None if j == len(pieces) - 1 else dates[b],
            float(c @ values),
            float(np.sqrt(c @ covariance @ c)),
            b - a,
        )
        for j, (a, b, c) in enumerate(pieces)
    )

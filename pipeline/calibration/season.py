"""The calibration of a season: ground, then wind, drift of both, proposals, and what they would change.

Order: (1) speed, heading and leeway against the ground, with the current; (2) their drift; where a sensor changed in
mid-season the change is put on paper and the estimate repeated, so that one sensor's step does not enter the others;
(3) the wind, the ground's answer as its prior; (4) drift of the wind's parameters in the same way; (5) proposals by
period and by sail set; (6) the season's signs with the calibration in use and with the proposals on paper.
Nothing of it is applied.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, Protocol

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.calibration_rows import (
    Found,
    beginning_of,
    calibration_table,
    proposals_of,
    value_in_use,
)
from pipeline.calibration.drift_steps import Course, find_drift, with_levels
from pipeline.calibration.ground_estimate import UNITS as GROUND_UNITS
from pipeline.calibration.ground_estimate import GroundEstimate, ground_estimate
from pipeline.calibration.plausibility import plausibility, season_of
from pipeline.calibration.proposals import CANNOT_SAY, PARAMETERS, Proposal, on_paper
from pipeline.calibration.sensor_notes import sensor_changes
from pipeline.calibration.wind_estimate import WindEstimate, wind_estimate
from pipeline.calibration.wind_solve import GroundPrior
from pipeline.campaign.settings import Boat, Calibration, Corrections
from pipeline.intervals import HALF_90
from pipeline.sailing.manoeuvres import find_manoeuvres
from pipeline.sailing.tagging import set_at
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.tables import TABLES

GROUND = ("boat_speed_factor", "heading_offset_deg", "leeway_coefficient")
WIND = ("awa_offset_deg", "upwash_deg", "aws_factor")
MEASURES = (
    ("tack", "true wind direction, starboard less port tack", "deg"),
    ("gybe", "true wind direction, starboard less port gybe", "deg"),
    ("up-down", "true wind speed, downwind over upwind", "%"),
    ("speed_error_pct", "speed through the water against the ground", "%"),
    ("heading_error_deg", "heading against the ground", "deg"),
)
Progress = Callable[[str], None]


class DailyEstimate(Protocol):
    """What drift needs of an estimate: values in use and standard deviations by parameter, and the days' estimates."""

    @property
    def parameters(self) -> Sequence[Any]:
        """Parameters, in the order of `sd`."""

    @property
    def sd(self) -> Floats:
        """Standard deviations of the season's values."""

    @property
    def in_use(self) -> Mapping[Any, float]:
        """Values in use."""

    @property
    def per_day(self) -> pl.DataFrame:
        """`day, parameter, estimate, sd`."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """`tables` by name, those of the catalogue; `paper`: the calibration with the proposals accepted.

    `wind`: the wind's estimate, for the doubt that it leaves (`wind_doubt`).
    """

    tables: dict[str, pl.DataFrame]
    paper: Calibration
    wind: WindEstimate
    courses: Mapping[str, Course] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Settled:
    """An estimate, the courses of its parameters, days' values, and the samples and boat it was last made with."""

    found: Any
    courses: dict[str, Course]
    days: pl.DataFrame
    samples: pl.DataFrame
    boat: Boat


@dataclass(frozen=True, slots=True)
class _Season:
    samples: pl.DataFrame
    sail_set: pl.Series
    segments: pl.DataFrame
    sessions: pl.DataFrame
    sensor_changes: Sequence[date]

    def computed(self, boat: Boat) -> pl.DataFrame:
        return add_true_wind(self.samples, boat, self.sail_set).samples.with_columns(sail_set=self.sail_set)


def calibrate(
    samples_with_wind: pl.DataFrame,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    boat: Boat,
    *,
    settings_log: pl.DataFrame | None = None,
    progress: Progress | None = None,
) -> Calibrated:
    """Proposals and evidence of a season; see the tables' columns in `pipeline.tables`.

    `samples_with_wind` as `add_true_wind` leaves it (its raw channels are read, too), `segments` the tagged time line.
    `settings_log` as read with the campaign: where it says that a sensor was changed, a step is likelier.
    Never raises for want of data: what cannot be said is said so, and the tables keep their columns. Deterministic.
    """
    say = progress or (lambda _: None)
    samples = samples_with_wind.sort("time")
    sail_set = set_at(samples["time"], segments).rename("sail_set")
    season = _Season(samples, sail_set, segments, sessions, sensor_changes(settings_log, sessions))
    samples = samples.with_columns(sail_set=sail_set)
    say("calibration: speed and heading against the ground")
    of_ground = _settled(lambda s, b: ground_estimate(s, b, sessions=sessions), samples, boat, season, GROUND)
    ground = of_ground.found
    say("calibration: the wind")
    of_wind = _wind(of_ground, season)
    courses = {**of_ground.courses, **of_wind.courses}
    found = [*_found(ground, courses), *_found(of_wind.found, courses)]
    proposals = [
        row
        for f in found
        for row in proposals_of(f, courses.get(f.parameter) if f.sail_set is None else None, boat, sessions)
    ]
    proposals = _in_order(proposals)
    paper = on_paper(boat.calibration, proposals)
    say("calibration: the season before and after")
    signs, effect = _effect(samples, season, boat, paper)
    tables = {
        "calibration": calibration_table(proposals, season.samples, sail_set, boat),
        "calibration_details": _details(ground, of_wind.found),
        "calibration_days": _days(of_ground, of_wind),
        "calibration_drift": _drift(courses),
        "calibration_effect": effect,
        "current": TABLES["current"].conform(ground.current),
        "plausibility": TABLES["plausibility"].conform(signs),
    }
    return Calibrated(tables, paper, of_wind.found, courses)


def _settled(
    estimate: Callable[[pl.DataFrame, Boat], Any],
    samples: pl.DataFrame,
    boat: Boat,
    season: _Season,
    parameters: tuple[str, ...],
) -> _Settled:
    """The estimate and its drift, one parameter after the other, the surest first.

    A step of one sensor shows in the others' estimates, too: so the surest is put on paper and everything is estimated
    anew before the next is looked for.
    """
    found = estimate(samples, boat)
    days = _changes_needed(found, parameters)
    courses = find_drift(days, season.sensor_changes)
    laid: dict[str, Course] = {}
    paper = boat
    while open_ones := {p: c for p, c in courses.items() if c.changes and p not in laid}:
        surest = min(open_ones, key=lambda p: (min(c.chance for c in open_ones[p].changes), p))
        laid[surest] = open_ones[surest]
        paper = replace(boat, calibration=_with_courses(boat.calibration, laid, season.sessions))
        samples = season.computed(paper)
        found = estimate(samples, paper)
        days = pl.concat([_with_course(_changes_needed(found, parameters), p, laid.get(p)) for p in parameters])
        courses = find_drift(days.filter(~pl.col("parameter").is_in(list(laid))), season.sensor_changes)
        courses |= {p: with_levels(c, days.filter(pl.col("parameter") == p)) for p, c in laid.items()}
    courses = {p: _with_shared_doubt(c, found) for p, c in courses.items()}
    return _Settled(found, courses, _in_force(days, boat.calibration, season.sessions), samples, paper)


def _with_shared_doubt(course: Course, found: DailyEstimate) -> Course:
    """The course with what the season's estimate doubts beyond the days' own errors: each of its levels has it."""
    variance = np.square([s.sd for s in course.stretches])
    shared = float(found.sd[list(found.parameters).index(course.parameter)]) ** 2 - 1.0 / float(np.sum(1.0 / variance))
    if not shared > 0.0:
        return course
    stretches = [replace(s, sd=float(np.sqrt(v + shared))) for s, v in zip(course.stretches, variance, strict=True)]
    return replace(course, stretches=tuple(stretches))


def _with_course(days: pl.DataFrame, parameter: str, course: Course | None) -> pl.DataFrame:
    """Rows of one parameter, what is on paper added back."""
    own = days.filter(pl.col("parameter") == parameter)
    if course is None:
        return own
    added = [course.stretches[_stretch_of(course, d)].estimate for d in own["day"].to_list()]
    return own.with_columns(pl.col("estimate") + pl.Series(added, dtype=pl.Float64))


def _in_force(days: pl.DataFrame, calibration: Calibration, sessions: pl.DataFrame) -> pl.DataFrame:
    """Days' changes as the values that would have had to stand in `boat.toml`."""
    values = [
        value_in_use(calibration, p, beginning_of(d, sessions) + timedelta(hours=23, minutes=59))
        for p, d in days.select("parameter", "day").iter_rows()
    ]
    return days.with_columns(pl.col("estimate") + pl.Series(values, dtype=pl.Float64))


def _changes_needed(found: DailyEstimate, parameters: tuple[str, ...]) -> pl.DataFrame:
    """Days' estimates as changes of the value in use."""
    base = pl.DataFrame(
        {"parameter": list(parameters), "in_use": [float(found.in_use[p]) for p in parameters]},
        schema={"parameter": pl.String, "in_use": pl.Float64},
    )
    return (
        found.per_day.join(base, on="parameter")
        .with_columns(pl.col("estimate") - pl.col("in_use"))
        .select("day", "parameter", "estimate", "sd")
        .sort("parameter", "day")
    )


def _stretch_of(course: Course, day: Any) -> int:
    return max(i for i, s in enumerate(course.stretches) if s.first is None or s.first <= day)


def _with_courses(calibration: Calibration, courses: Mapping[str, Course], sessions: pl.DataFrame) -> Calibration:
    """The calibration in use with the change of each stretch added, period by period."""
    base = calibration.boat
    periods: dict[datetime, Corrections] = dict(calibration.periods)
    for p, course in courses.items():
        starts: list[datetime | None] = [None if s.first is None else beginning_of(s.first, sessions)
                                         for s in course.stretches]  # fmt: skip
        cuts = sorted(
            {s for s in starts if s is not None} | {s for s, c in periods.items() if getattr(c, p) is not None}
        )
        held = {cut: value_in_use(calibration, p, cut) for cut in cuts}
        base = replace(base, **{p: value_in_use(calibration, p, None) + course.stretches[0].estimate})
        for cut in cuts:
            at = max(i for i, s in enumerate(starts) if s is None or s <= cut)
            periods[cut] = replace(periods.get(cut, Corrections()), **{p: held[cut] + course.stretches[at].estimate})
    return Calibration(base, tuple(sorted(periods.items())), calibration.sets)


def _wind(ground: _Settled, season: _Season) -> _Settled:
    prior = _prior(ground.found)

    def estimate(s: pl.DataFrame, b: Boat) -> WindEstimate:
        return wind_estimate(s, season.segments, season.sessions, b, ground_prior=prior)

    return _settled(estimate, ground.samples, ground.boat, season, WIND)


def _prior(ground: GroundEstimate) -> GroundPrior | None:
    """The ground's answer as the wind's prior; None where the ground could not say anything."""
    at = [ground.parameters.index(p) for p in GROUND]
    mean, covariance = ground.proposed[at], ground.covariance[np.ix_(at, at)]
    if not (np.isfinite(mean).all() and np.isfinite(covariance).all()):
        return None
    return GroundPrior(mean, covariance)


def _found(estimate: GroundEstimate | WindEstimate, courses: Mapping[str, Course]) -> list[Found]:
    """What `boat.toml` has a key for, of the boat and of sets.

    A set has no value for the season where the boat's own changed in mid-season.
    """
    out = []
    for i, key in enumerate(estimate.parameters):
        name, sail_set = (key, None) if isinstance(key, str) else key
        if name not in PARAMETERS:
            continue
        known, said = bool(estimate.known[i]), estimate.evidence[i]
        if sail_set is not None and name in courses and courses[name].changes:
            known, said = False, f"{CANNOT_SAY}: the boat's own value changed in mid-season"
        change = (float(v[i]) - estimate.in_use[key] for v in (estimate.proposed, estimate.low, estimate.high))
        out.append(Found(name, sail_set, *change, known, said))
    return out


def _in_order(proposals: list[Proposal]) -> list[Proposal]:
    return sorted(
        proposals,
        key=lambda p: (PARAMETERS.index(p.parameter), p.sail_set or "", p.start is not None, p.start or datetime.min),
    )


def _effect(
    samples: pl.DataFrame, season: _Season, boat: Boat, paper: Calibration
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Signs of plausibility by day as in use, and the season's in numbers before and after."""
    turns = find_manoeuvres(samples, boat)
    before = plausibility(samples, season.sessions, boat, manoeuvres=turns)
    after = before
    if paper != boat.calibration:
        changed = replace(boat, calibration=paper)
        after = plausibility(season.computed(changed), season.sessions, changed, manoeuvres=turns)
    was, would_be = season_of(before), season_of(after)
    rows = [
        {"measure": said, "unit": unit, "before": was[key][0], "after": would_be[key][0], "count": was[key][1]}
        for key, said, unit in MEASURES
    ]
    table = TABLES["calibration_effect"]
    frame = pl.DataFrame(rows, schema=table.columns).with_columns(pl.col("before", "after").fill_nan(None))
    return before.days, table.conform(frame)


def _details(ground: GroundEstimate, wind: WindEstimate) -> pl.DataFrame:
    """What `boat.toml` has no key for: speed factor by tack and by speed, deviation curve, delays of the sensors, and
    remarks on what cannot be told apart (`told apart N`, without a value)."""
    rows: list[tuple[object, ...]] = []
    for i, p in enumerate(ground.parameters):
        if p not in PARAMETERS:
            values = (float(v[i]) if ground.known[i] else None for v in (ground.proposed, ground.low, ground.high))
            rows.append((p, GROUND_UNITS.get(p, ""), *values, ground.evidence[i]))
    for d in ground.delays:
        known = bool(np.isfinite(d.delay_s) and np.isfinite(d.sd_s))
        ends = (d.delay_s, d.delay_s - HALF_90 * d.sd_s, d.delay_s + HALF_90 * d.sd_s) if known else (None, None, None)
        rows.append((f"delay of {d.channel}", "s", *ends, f"{d.turns} turns, against the motion over ground"))
    rows += [(f"told apart {i}", "", None, None, None, said) for i, said in enumerate(wind.correlation, 1)]
    table = TABLES["calibration_details"]
    return table.conform(pl.DataFrame(rows, schema=table.columns, orient="row"))


def _days(ground: _Settled, wind: _Settled) -> pl.DataFrame:
    """Estimates of single days, as values that would have had to stand in `boat.toml`."""
    return TABLES["calibration_days"].conform(pl.concat([ground.days, wind.days]).sort("parameter", "day"))


def _drift(courses: Mapping[str, Course]) -> pl.DataFrame:
    rows = [
        {
            "parameter": c.parameter,
            "kind": c.kind,
            "first": c.first,
            "last": c.last,
            "earliest": c.earliest,
            "latest": c.latest,
            "size": c.size,
            "size_low": c.size - c.size_reach,
            "size_high": c.size + c.size_reach,
            "chance": c.chance,
        }
        for p in PARAMETERS
        if p in courses
        for c in courses[p].changes
    ]
    table = TABLES["calibration_drift"]
    return table.conform(pl.DataFrame(rows, schema=table.columns)) if rows else table.empty()

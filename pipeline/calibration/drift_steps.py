"""Steps and trends of a calibration parameter in mid-season, from the estimates of single days.

Method: (1) a constant course is held against a step before each day and against a linear trend, by the likelihood of
`day_scatter`; (2) the gain of the best is held against the same gain in simulated seasons that have no change, with the
same days, errors and scatter, so that the share of seasons with a false alarm is chosen and not hoped for; (3) what is
found parts the season, and each part is searched again; (4) each step is dated again with the others in place;
(5) levels and day scatter follow by restricted likelihood.
"""

from __future__ import annotations

from collections.abc import Mapping
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
    simulated,
    spell_gains,
)

# A sensor put right again: a spell of days between two steps that cancel, looked for only where no single change shows.
# It takes a part of the allowance; with more days than this it is not tried, single steps show by themselves then.
SPELL_SHARE, MOST_DAYS_FOR_SPELLS = 0.2, 80
# Share of seasons without any change in which something is reported all the same, over all parameters together.
FALSE_ALARMS = 0.05
# The last day alone may show a sensor knocked yesterday; elsewhere one odd day is no step. It takes a part of the
# allowance for itself.
LEAST_DAYS = 2
LAST_DAY_SHARE = 0.15
LEAST_DAYS_IN_ALL = 4
MOST_CHANGES = 3
# A change smaller than this is within what the estimates promise and not worth a period of its own.
LEAST_CHANGE: Mapping[str, float] = {
    "boat_speed_factor": 0.01,
    "heading_offset_deg": 0.8,
    "awa_offset_deg": 0.8,
    "aws_factor": 0.025,
    "upwash_deg": 1.5,
    "leeway_coefficient": 3.0,
}
# A trend is proposed as periods of about this change each, no more of them than stated.
MOST_PERIODS_OF_A_TREND = 4
# Days that together hold this much of the probability are named as possible.
DATED = 0.9
_SIMULATIONS = 2000
_SEED = 20270522
Z_90 = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Change:
    """One step or trend of one parameter.

    `first` is the first day of the new state (of a trend: where it begins), `last` the end of a trend (None for a
    step); `earliest`, `latest`: days between which a step lies with 90 % probability. `size` and `size_sd` in the
    parameter's unit; `chance`: share of seasons without change that show as much, of this parameter.
    """

    parameter: str
    kind: Literal["step", "trend"]
    first: date
    last: date | None
    earliest: date
    latest: date
    size: float
    size_sd: float
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


@dataclass(frozen=True, slots=True)
class _Part:
    """Days `first` to before `end` of the season as one piece of the course, sloping or level."""

    first: int
    end: int
    sloping: bool
    chance: float  # of the change at its beginning (level) or of its slope


def find_drift(per_day: pl.DataFrame) -> dict[str, Course]:
    """Course of every parameter of `per_day` (`day, parameter, estimate, sd`; rows without a finite estimate or sd are
    passed over).

    Parameters with fewer than four days are taken as constant. The same rows in any order give the same result.
    """
    known = per_day.filter(pl.col("estimate").is_finite() & pl.col("sd").is_finite() & (pl.col("sd") > 0))
    names = sorted(set(known["parameter"].to_list()))
    return {name: course_of(known.filter(pl.col("parameter") == name), name, len(names)) for name in names}


def with_levels(course: Course, rows: pl.DataFrame) -> Course:
    """The course with the same changes and stretches, its levels and day scatter from other estimates of the days.

    A stretch without any day in `rows` (columns of `find_drift`) keeps its level.
    """
    rows = rows.filter(pl.col("estimate").is_finite() & (pl.col("sd") > 0)).sort("day")
    dates = rows["day"].cast(pl.Date).to_list()
    at = [max(i for i, s in enumerate(course.stretches) if s.first is None or s.first <= d) for d in dates]
    held = sorted(set(at))
    if not held:
        return course
    design = np.array([[float(i == j) for j in held] for i in at])
    t = np.array([(d - dates[0]).days for d in dates], dtype=float)
    usual = USUAL_DAY_SD.get(course.parameter, float(np.median(rows["sd"])))
    days = Days(t, rows["estimate"].to_numpy().astype(float), rows["sd"].to_numpy().astype(float), usual)
    day_sd = likely_day_sd(days, design)
    values, covariance = fitted_course(days, design, day_sd)
    stretches = list(course.stretches)
    for k, j in enumerate(held):
        sd = float(np.sqrt(covariance[k, k]))
        stretches[j] = replace(stretches[j], estimate=float(values[k]), sd=sd, days=at.count(j))
    return replace(course, stretches=tuple(stretches), day_sd=day_sd)


def course_of(rows: pl.DataFrame, parameter: str, parameters: int) -> Course:
    """Course of one parameter; `parameters` is how many are searched in the season, for the false alarms allowed."""
    rows = rows.sort("day", "estimate", "sd")
    dates = rows["day"].cast(pl.Date).to_list()
    t = np.array([(d - dates[0]).days for d in dates], dtype=float)
    usual = USUAL_DAY_SD.get(parameter, float(np.median(rows["sd"])))
    days = Days(t, rows["estimate"].to_numpy().astype(float), rows["sd"].to_numpy().astype(float), usual)
    parts = _search(days, parameter, FALSE_ALARMS / max(1, parameters))
    design = _design(days, parts)
    day_sd = likely_day_sd(days, design)
    values, covariance = fitted_course(days, design, day_sd)
    changes = _changes(days, parts, dates, parameter, values, covariance)
    return Course(parameter, changes, _stretches(days, parts, dates, parameter, values, covariance), day_sd, len(days))


def _search(days: Days, parameter: str, allowed: float) -> list[_Part]:
    """Parts of the course, in order."""
    parts = [_Part(0, len(days), False, 1.0)]
    shared = likely_day_sd(days, np.ones((len(days), 1)))
    for _ in range(MOST_CHANGES):
        found = [(p, *_best(days.part(p.first, p.end), parameter, shared, allowed, p.end == len(days))) for p in parts
                 if not p.sloping]  # fmt: skip
        found = [f for f in found if f[1] is not None]
        if not found:
            if len(parts) == 1 and (spell := _spell(days, parameter, shared, allowed)) is not None:
                (a, b), chance = spell
                parts = [_Part(0, a, False, 1.0), _Part(a, b, False, chance), _Part(b, len(days), False, chance)]
                parts = _dated_again(days, parts)
            break
        part, kind, k, chance, _gain = max(found, key=lambda f: f[4])
        i = parts.index(part)
        if kind == "trend":
            parts[i] = _Part(part.first, part.end, True, chance)
        else:
            at = part.first + k
            parts[i : i + 1] = [_Part(part.first, at, False, part.chance), _Part(at, part.end, False, chance)]
            parts = _dated_again(days, parts)
        shared = likely_day_sd(days, _design(days, parts))
    return parts


def _best(
    days: Days, parameter: str, day_sd: float, allowed: float, at_the_end: bool
) -> tuple[Literal["step", "trend"] | None, int, float, float]:
    """What these days show beyond a constant: its kind, the day of a step, its chance, the gain; None for nothing."""
    nothing: tuple[None, int, float, float] = (None, 0, 1.0, 0.0)
    n = len(days)
    if n < LEAST_DAYS_IN_ALL:
        return nothing
    least_after = 1 if at_the_end else LEAST_DAYS
    observed = gains(days, days.estimate[None], LEAST_DAYS, least_after)
    if not _worth_simulating(max(float(observed.steps.max()), float(observed.trend[0])), allowed):
        return nothing
    luck = gains(days, simulated(days, day_sd, _SIMULATIONS, _SEED), LEAST_DAYS, least_after)
    lone = at_the_end and observed.steps.shape[1] > 1
    inner = slice(None, -1) if lone else slice(None)
    best_luck = np.maximum(luck.steps[:, inner].max(axis=1), luck.trend)
    step_gain, k = float(observed.steps[0, inner].max()), LEAST_DAYS + int(observed.steps[0, inner].argmax())
    trend_gain = float(observed.trend[0])
    if lone and observed.steps[0, -1] > max(step_gain, trend_gain):
        chance = _chance(luck.steps[:, -1], float(observed.steps[0, -1]))
        if chance <= LAST_DAY_SHARE * allowed and _size(days, n - 1) >= LEAST_CHANGE.get(parameter, 0.0):
            return "step", n - 1, chance, float(observed.steps[0, -1])
        return nothing
    # a step costs one unknown more than a trend: its day (Schwarz's criterion)
    sloping = trend_gain > step_gain - 0.5 * np.log(n)
    chance = _chance(best_luck, max(step_gain, trend_gain))
    if chance > (1.0 - LAST_DAY_SHARE - SPELL_SHARE) * allowed:
        return nothing
    size = _climb(days, day_sd) if sloping else _size(days, k)
    if size < LEAST_CHANGE.get(parameter, 0.0):
        return nothing
    return ("trend", 0, chance, trend_gain) if sloping else ("step", k, chance, step_gain)


def _spell(days: Days, parameter: str, day_sd: float, allowed: float) -> tuple[tuple[int, int], float] | None:
    """The likeliest spell at another level and its chance; None where none stands out."""
    if not 3 * LEAST_DAYS <= len(days) <= MOST_DAYS_FOR_SPELLS:
        return None
    observed, spells = spell_gains(days, days.estimate[None], LEAST_DAYS)
    if not _worth_simulating(float(observed.max()), allowed):
        return None
    luck, _ = spell_gains(days, simulated(days, day_sd, _SIMULATIONS, _SEED), LEAST_DAYS)
    best = int(observed[0].argmax())
    chance = _chance(luck.max(axis=1), float(observed[0, best]))
    a, b = spells[best]
    inside = np.zeros(len(days))
    inside[a:b] = 1.0
    values, _ = fitted_course(days, np.column_stack((1.0 - inside, inside)), day_sd)
    if chance > SPELL_SHARE * allowed or abs(values[1] - values[0]) < LEAST_CHANGE.get(parameter, 0.0):
        return None
    return (a, b), chance


def _worth_simulating(gain: float, allowed: float) -> bool:
    """Whether the gain is rare enough even for one change thought of beforehand (Wilks, one degree of freedom)."""
    return float(stats.chi2.sf(2.0 * gain, 1)) <= allowed


def _chance(luck: Floats, gain: float) -> float:
    """Share of the simulated seasons with as much gain; beyond them, the tail goes on exponentially."""
    tail = np.quantile(luck, 0.9)
    if gain <= tail:
        return float((luck >= gain).mean())
    return 0.1 * float(np.exp(-(gain - tail) / max(float((luck[luck > tail] - tail).mean()), 1e-9)))


def _size(days: Days, k: int) -> float:
    weight = 1.0 / (days.sd**2 + days.usual_sd**2)
    level = [np.average(days.estimate[s], weights=weight[s]) for s in (slice(None, k), slice(k, None))]
    return float(abs(level[1] - level[0]))


def _climb(days: Days, day_sd: float) -> float:
    design = np.column_stack((np.ones(len(days)), days.t))
    values, _ = fitted_course(days, design, day_sd)
    return float(abs(values[1]) * (days.t[-1] - days.t[0]))


def _dated_again(days: Days, parts: list[_Part]) -> list[_Part]:
    """Each step at its likeliest day, the neighbouring ones in place."""
    out = list(parts)
    for i in range(1, len(out)):
        a, b = out[i - 1], out[i]
        if a.sloping or b.sloping:
            continue
        both = days.part(a.first, b.end)
        least_after = 1 if b.end == len(days) else LEAST_DAYS
        if len(both) < LEAST_DAYS + least_after:
            continue
        k = LEAST_DAYS + int(gains(both, both.estimate[None], LEAST_DAYS, least_after).steps[0].argmax())
        out[i - 1] = _Part(a.first, a.first + k, False, a.chance)
        out[i] = _Part(a.first + k, b.end, False, b.chance)
    return out


def _design(days: Days, parts: list[_Part]) -> Floats:
    """One column a level, and one a slope (about the middle of its part)."""
    columns = []
    for p in parts:
        inside = np.zeros(len(days))
        inside[p.first : p.end] = 1.0
        columns.append(inside)
        if p.sloping:
            columns.append(inside * (days.t - _middle(days, p)))
    return np.column_stack(columns)


def _middle(days: Days, part: _Part) -> float:
    return 0.5 * float(days.t[part.first] + days.t[part.end - 1])


def _columns(parts: list[_Part]) -> list[int]:
    """Column of each part's level; the slope stands behind it."""
    return [i + sum(p.sloping for p in parts[:i]) for i in range(len(parts))]


def _changes(
    days: Days, parts: list[_Part], dates: list[date], parameter: str, values: Floats, covariance: Floats
) -> tuple[Change, ...]:
    out: list[Change] = []
    at = _columns(parts)
    for i, p in enumerate(parts):
        if i > 0:
            combine = np.zeros(len(values))
            for j, sign in ((i - 1, -1.0), (i, 1.0)):
                edge = days.t[parts[i].first if j == i else parts[i].first - 1]
                combine[at[j]] = sign
                if parts[j].sloping:
                    combine[at[j] + 1] = sign * (edge - _middle(days, parts[j]))
            early, late = _possible(days, parts[i - 1], p)
            size, sd = float(combine @ values), float(np.sqrt(combine @ covariance @ combine))
            out.append(Change(parameter, "step", dates[p.first], None, dates[early], dates[late], size, sd, p.chance))
        if p.sloping:
            span = float(days.t[p.end - 1] - days.t[p.first])
            size, sd = span * float(values[at[i] + 1]), span * float(np.sqrt(covariance[at[i] + 1, at[i] + 1]))
            first, last = dates[p.first], dates[p.end - 1]
            out.append(Change(parameter, "trend", first, last, first, first, size, sd, p.chance))
    return tuple(out)


def _possible(days: Days, before: _Part, after: _Part) -> tuple[int, int]:
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
    days: Days, parts: list[_Part], dates: list[date], parameter: str, values: Floats, covariance: Floats
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
                combine[at[i] + 1] = float(np.mean(days.t[a:b])) - _middle(days, p)
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

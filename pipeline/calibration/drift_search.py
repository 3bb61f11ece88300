"""The search for steps and trends in the estimates of single days, against seasons that have none.

See `drift_steps` for the method.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

from pipeline.angles import Floats
from pipeline.calibration.day_scatter import Days, fitted_course, gains, likely_day_sd, simulated, spell_gains

# The last day alone may show a sensor knocked yesterday; elsewhere one odd day is no step. Looking for it takes a large
# part of the allowance, since one day shows little, and a step before that is plain enough.
LEAST_DAYS = 2
LAST_DAY_SHARE = 0.4
# A sensor put right again: a spell of days between two steps that cancel, looked for only where no single change shows.
# It takes a part of the allowance; with more days than this it is not tried, single steps show by themselves then.
SPELL_SHARE, MOST_DAYS_FOR_SPELLS = 0.1, 80
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
# A trend against a step, before any data: a log fouls slowly, bearings wear; vane and compass are knocked, or moved.
TREND_ODDS: Mapping[str, float] = {"boat_speed_factor": 1.0, "aws_factor": 0.3}
OTHER_TREND_ODDS = 0.05
_SIMULATIONS = 2000
_SEED = 20270522


@dataclass(frozen=True, slots=True)
class Part:
    """Days `first` to before `end` of the season as one piece of the course, sloping or level."""

    first: int
    end: int
    sloping: bool
    chance: float  # of the change at its beginning (level) or of its slope


def search(days: Days, parameter: str, allowed: float) -> list[Part]:
    """Parts of the course, in order; `allowed`: share of seasons without change in which one may be reported."""
    parts = [Part(0, len(days), False, 1.0)]
    for _ in range(MOST_CHANGES):
        found = [
            (p, *_best(days.part(p.first, p.end), parameter, allowed, p.end == len(days)))
            for p in parts
            if not p.sloping
        ]
        found = [f for f in found if f[1] is not None]
        if not found:
            if len(parts) == 1 and (spell := _spell(days, parameter, allowed)) is not None:
                (a, b), chance = spell
                parts = [Part(0, a, False, 1.0), Part(a, b, False, chance), Part(b, len(days), False, chance)]
                parts = _dated_again(days, parts)
            break
        part, kind, k, chance, _gain = max(found, key=lambda f: f[4])
        i = parts.index(part)
        if kind == "trend":
            parts[i] = Part(part.first, part.end, True, chance)
        else:
            at = part.first + k
            parts[i : i + 1] = [Part(part.first, at, False, part.chance), Part(at, part.end, False, chance)]
            parts = _dated_again(days, parts)
    return parts


def _best(
    days: Days, parameter: str, allowed: float, at_the_end: bool
) -> tuple[Literal["step", "trend"] | None, int, float, float]:
    """What these days show beyond a constant: its kind, the day of a step, its chance, the gain; None for nothing."""
    nothing: tuple[None, int, float, float] = (None, 0, 1.0, 0.0)
    n = len(days)
    if n < LEAST_DAYS_IN_ALL:
        return nothing
    least_after = 1 if at_the_end else LEAST_DAYS
    observed = gains(days, days.estimate[None], LEAST_DAYS, least_after)
    best = int(observed.steps[0].argmax())
    odds = np.log(TREND_ODDS.get(parameter, OTHER_TREND_ODDS))
    best_step, trend = float(observed.steps[0, best]), float(observed.trend[0]) + odds
    if not _worth_simulating(max(best_step, trend), max(LAST_DAY_SHARE, 1.0 - LAST_DAY_SHARE - SPELL_SHARE) * allowed):
        return nothing
    # a step costs one unknown more than a trend: its day (Schwarz's criterion)
    sloping = trend > best_step - 0.5 * np.log(n)
    course = _slope(days) if sloping else _two_levels(days, LEAST_DAYS + best)
    luck = gains(days, simulated(days, course, _SIMULATIONS, _SEED), LEAST_DAYS, least_after)
    last = at_the_end and not sloping and LEAST_DAYS + best == n - 1 and best > 0
    if last:
        chance, share = _chance(luck.steps[:, -1], best_step), LAST_DAY_SHARE
    else:
        inner = luck.steps[:, :-1] if at_the_end and luck.steps.shape[1] > 1 else luck.steps
        chance = _chance(np.maximum(inner.max(axis=1), luck.trend + odds), max(best_step, trend))
        share = 1.0 - LAST_DAY_SHARE - SPELL_SHARE
    size = _climb(days) if sloping else _size(days, LEAST_DAYS + best)
    if chance > share * allowed or size < LEAST_CHANGE.get(parameter, 0.0):
        return nothing
    return ("trend", 0, chance, trend) if sloping else ("step", LEAST_DAYS + best, chance, best_step)


def _two_levels(days: Days, first: int, end: int | None = None) -> Floats:
    """Columns of a course with another level from day `first` to before `end`."""
    inside = np.zeros(len(days))
    inside[first:end] = 1.0
    return np.column_stack((1.0 - inside, inside))


def _slope(days: Days) -> Floats:
    return np.column_stack((np.ones(len(days)), days.t))


def _spell(days: Days, parameter: str, allowed: float) -> tuple[tuple[int, int], float] | None:
    """The likeliest spell at another level and its chance; None where none stands out."""
    if not 3 * LEAST_DAYS <= len(days) <= MOST_DAYS_FOR_SPELLS:
        return None
    observed, spells = spell_gains(days, days.estimate[None], LEAST_DAYS)
    if not _worth_simulating(float(observed.max()), SPELL_SHARE * allowed):
        return None
    best = int(observed[0].argmax())
    a, b = spells[best]
    course = _two_levels(days, a, b)
    luck, _ = spell_gains(days, simulated(days, course, _SIMULATIONS, _SEED), LEAST_DAYS)
    chance = _chance(luck.max(axis=1), float(observed[0, best]))
    values, _ = fitted_course(days, course, likely_day_sd(days, course))
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


def _climb(days: Days) -> float:
    values, _ = fitted_course(days, _slope(days), likely_day_sd(days, _slope(days)))
    return float(abs(values[1]) * (days.t[-1] - days.t[0]))


def _dated_again(days: Days, parts: list[Part]) -> list[Part]:
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
        out[i - 1] = Part(a.first, a.first + k, False, a.chance)
        out[i] = Part(a.first + k, b.end, False, b.chance)
    return out


def design_of(days: Days, parts: list[Part]) -> Floats:
    """One column a level, and one a slope (about the middle of its part)."""
    columns = []
    for p in parts:
        inside = np.zeros(len(days))
        inside[p.first : p.end] = 1.0
        columns.append(inside)
        if p.sloping:
            columns.append(inside * (days.t - middle_of(days, p)))
    return np.column_stack(columns)


def middle_of(days: Days, part: Part) -> float:
    """Time (days since the first) about which the slope of a part turns."""
    return 0.5 * float(days.t[part.first] + days.t[part.end - 1])

"""The step of a log's clock, and the readings of one source as means of its ticks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline import angles
from pipeline.channels import BY_NAME
from pipeline.ingest.medians import Median
from pipeline.ingest.readings import Floats, Ints, Track

CLOCK_STEPS_US = (100_000, 200_000, 250_000, *range(500_000, 60_500_000, 500_000))
# Readings closer than this are one reading sent twice: at 4,800 baud the shortest sentence takes 25 ms.
SAME_READING_US = 25_000
# A clock is too fast for a source that leaves more than this share of its ticks empty while it is talking.
LEAST_OCCUPIED = 0.6
# A silence this many usual steps long is a gap and says nothing about the rate.
GAP_STEPS = 5
# Sums of more readings than this are rare, and taken in another way.
LONG_RUN = 1000

IntsOrInt = TypeVar("IntsOrInt", Ints, int)


def usual_step_us(runs: Iterable[Ints]) -> int | None:
    """The step of the clock that fits one source (runs of times, ascending); None where it has fewer than two readings.

    The median interval, snapped to a step a logger would use, then slower until at least 60 % of the ticks are taken
    while the source is talking: sentences sent twice or in bursts do not make a log faster than it is. The runs are
    gone through several times.
    """
    median = Median()
    for steps in _steps(runs):
        median.add(steps[steps >= SAME_READING_US])
    if not median.count:
        return None
    usual = median.value()
    longest, talking, span = GAP_STEPS * max(usual, 1e6), 0, 0
    for steps in _steps(runs):
        kept = steps[(steps >= SAME_READING_US) & (steps <= longest)]
        talking += len(kept)
        span += int(kept.sum())
    start = _nearest_step(usual)
    for place, step in enumerate(CLOCK_STEPS_US[start:]):
        firsts = list(_first_of_ticks(runs, step)) if place else None
        new = sum(len(run) for run in (firsts if firsts is not None else _first_of_ticks(runs, step))) - 1
        taken = new - (median.count - talking)
        if taken * step >= LEAST_OCCUPIED * (span if talking else usual):
            if firsts is None:
                return step
            # Where a burst was seen through, its beginnings tell the step better than the share of ticks does.
            bursts = Median()
            for steps in _steps(firsts):
                bursts.add(steps)
            return max(step, CLOCK_STEPS_US[_nearest_step(bursts.value())])
    return CLOCK_STEPS_US[-1]


def _steps(runs: Iterable[Ints]) -> Iterator[Ints]:
    """The steps from each time to the next, over all runs."""
    last: Ints | None = None
    for run in runs:
        if len(run):
            yield np.diff(run) if last is None else np.diff(run, prepend=last)
            last = run[-1:]


def _first_of_ticks(runs: Iterable[Ints], step_us: int) -> Iterator[Ints]:
    """The first time in each tick, over all runs."""
    last = None
    for run in runs:
        if len(run):
            ticks = (run + step_us // 2) // step_us
            new = np.diff(ticks, prepend=ticks[0] - 1 if last is None else last) != 0
            last = ticks[-1]
            yield run[new]


def _nearest_step(usual_us: float) -> int:
    return int(np.argmin(np.abs(np.log(np.array(CLOCK_STEPS_US) / usual_us))))


@dataclass(frozen=True, slots=True)
class Ticked:
    """Readings of one source as means of each tick: the tick's time, its latest reading, an array a channel."""

    tick_us: Ints
    last_us: Ints
    values: dict[str, Floats]


def tick_of(time_us: IntsOrInt, step_us: int) -> IntsOrInt:
    """The tick that each time belongs to: the nearest one, the later of two."""
    return (time_us + step_us // 2) // step_us * step_us


def on_clock(track: Track, step_us: int) -> Ticked:
    """Means of each tick: bearings on the circle, winds as vectors, all else arithmetic; one reading stays itself."""
    tick = tick_of(track.time_us, step_us)
    new = tick[1:] != tick[:-1]
    if new.all():
        return Ticked(tick, track.time_us, track.values)
    starts = np.append(0, np.flatnonzero(new) + 1)
    count = np.diff(starts, append=len(tick))
    several = np.flatnonzero(count > 1)
    rows = np.flatnonzero(np.repeat(count > 1, count))
    group = np.repeat(np.arange(len(several)), count[several])
    values = {name: v[starts] for name, v in track.values.items()}
    for name, mean in _means({name: v[rows] for name, v in track.values.items()}, group, len(several)).items():
        values[name][several] = mean
    return Ticked(tick[starts], track.time_us[starts + count - 1], values)


_VECTORS = {"awa": "aws", "twa": "tws"}


def _means(values: dict[str, Floats], group: NDArray[np.intp], n: int) -> dict[str, Floats]:
    """One mean a group. An angle of wind is weighted by the wind's speed, other angles all count alike."""
    out = {}
    for name, v in values.items():
        if name not in BY_NAME or BY_NAME[name].kind == "scalar":
            out.setdefault(name, _mean(v, group, n))
            continue
        fold = angles.wrap_360 if BY_NAME[name].kind == "bearing" else angles.wrap_180
        x, y = angles.components(v)
        out[name] = fold(angles.direction(_mean(x, group, n), _mean(y, group, n)))
        speed = _VECTORS.get(name)
        if speed in values:
            u, w = _mean(x * values[speed], group, n), _mean(y * values[speed], group, n)
            wind, length = fold(angles.direction(u, w)), np.hypot(u, w)
            out[name] = np.where(np.isfinite(wind), wind, out[name])
            out[speed] = np.where(np.isfinite(length), length, _mean(values[speed], group, n))
    return out


def _mean(v: Floats, group: NDArray[np.intp], n: int) -> Floats:
    """The mean of each group's values, NaN left out; NaN where there are none. `group` ascends."""
    known = ~np.isnan(v)
    if not known.all():
        v, group = v[known], group[known]
    count = np.bincount(group, minlength=n)
    return np.where(count > 0, _sums(v, np.cumsum(count) - count, count) / np.maximum(count, 1), np.nan)


def _sums(v: Floats, start: Ints, count: Ints) -> Floats:
    """Sums of runs, each with its rounding errors made good (Kahan 1965); those of very long runs pairwise."""
    total, lost = np.zeros(len(start)), np.zeros(len(start))
    left = np.flatnonzero((count > 0) & (count <= LONG_RUN))
    for k in range(LONG_RUN):
        left = left[count[left] > k]
        if not len(left):
            break
        term = v[start[left] + k] - lost[left]
        grown = total[left] + term
        lost[left] = (grown - total[left]) - term
        total[left] = grown
    for i in np.flatnonzero(count > LONG_RUN):
        total[i] = v[start[i] : start[i] + count[i]].sum()
    return total

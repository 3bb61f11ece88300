"""When each sentence was sent: one clock for a file, made of the times that some of its sentences carry.

Places are the sentences' running numbers in the file. A sentence that carries no time takes it from its neighbours, by
linear interpolation over places between two anchors; at a break in the log the sentences near each side follow at the
log's usual rate. All pure and whole-array; times are UNIX microseconds (`int64`), `NO_TIME` where none is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.medians import Median

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NO_TIME = np.iinfo(np.int64).min
SECOND = 1_000_000
DAY = 86_400 * SECOND
EPOCH = datetime(1970, 1, 1)

# Two-digit years: 80..99 are 1980..1999, since satellite time begins in 1980; 00..79 are 2000..2079.
TWO_DIGIT_YEAR_PIVOT = 80
# The week counter of GPS has ten bits. Source: gps.gov, support/user/rollover.
ROLLOVER_DAYS = 1024 * 7
# Without a known season a date before this is taken for one 1,024 weeks off. A receiver caught by the rollover of 2019
# shows 1999-08-22 and later, older ones show earlier years; a yacht's log really from before 2000 is much rarer.
PLAUSIBLE_FROM = date(2000, 1, 1)
# With a season, a date is put right only if it is this far off and lands this near.
FAR_FROM_SEASON_DAYS, NEAR_SEASON_DAYS = 1000, 400

# Longer steps than this many usual ones, and than this time, are gaps.
GAP_STEPS, GAP_US = 3, 5 * SECOND
# A longer step is still no gap where the sentences went on coming at about their usual rate (a satellite receiver that
# falls silent leaves the others talking), up to the length that ends a session.
SILENCE_RATE, SILENCE_US = 3.0, 600 * SECOND
# How far a time is carried at least beyond the first and last anchor, and beside a gap; or else one usual step.
OUTSIDE_US, BESIDE_US = 10 * SECOND, SECOND
# How far a time of day may lie on the wrong side of a dated one before the next day is taken for it.
BACK_US = 6 * 3600 * SECOND
# With a single anchor there is no rate to be seen: a full bus of 4,800 baud carries about ten sentences a second.
NOMINAL_US_PER_PLACE = 0.1 * SECOND

# So many anchors are looked at at a time.
AT_ONCE = 1 << 16

ROLLOVER_COUNT = "dates 1,024 weeks off, put right"
BACKWARD_COUNT = "times that went back, kept as recorded"


def civil_days(year: Ints, month: Ints, day: Ints) -> tuple[Ints, Bools]:
    """Days since 1970-01-01 of dates of the Gregorian calendar, and which of the dates exist."""
    year, month, day = (np.asarray(x, np.int64) for x in (year, month, day))
    ok = (year >= 1) & (year <= 9999) & (month >= 1) & (month <= 12) & (day >= 1)
    index = np.where(ok, (year - 1970) * 12 + month - 1, 0)
    first = index.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    following = (index + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return first + day - 1, ok & (day <= following - first)


def clock_fits(hour: Ints, minute: Ints, second: Ints) -> Bools:
    """Whether a time of day is possible; second 60 is, as a leap second, at the end of an hour's last minute."""
    return (hour < 24) & (minute < 60) & ((second < 60) | ((second == 60) & (minute == 59)))


def full_year(two_digits: Ints) -> Ints:
    """The year that two digits mean (see TWO_DIGIT_YEAR_PIVOT)."""
    return np.where(two_digits >= TWO_DIGIT_YEAR_PIVOT, 1900, 2000) + two_digits


@dataclass(frozen=True, slots=True)
class Anchors:
    """The times that one kind of sentence carries, at ascending places.

    `dated` is False where they are times of day only. `own` says that a time belongs to its sentence alone (stamps and
    TAG blocks), so that equal ones in a row are all meant; `satellite` that a date may be 1,024 weeks off.
    """

    place: Ints
    time_us: Ints
    dated: bool = True
    own: bool = False
    satellite: bool = True


@dataclass(frozen=True, slots=True)
class Clock:
    """Anchors at ascending places, and the log's usual step between anchors and usual time between sentences.

    Where the log is written in bursts (see `bursts`), `burst` holds the places at which they start; the anchors then
    stand at running numbers of bursts instead of sentences, and the sentences of a burst share one time.
    """

    place: Ints
    time_us: Ints
    usual_step_us: float
    us_per_place: float
    dated: bool
    counts: dict[str, int] = field(default_factory=dict)
    burst: Ints | None = None
    burst_length: int = 1

    def in_bursts(self, start: Ints) -> Clock:
        """This clock for a log whose bursts start at these places: each anchor stands for the whole of its burst."""
        length = max(int(np.median(np.diff(start))), 1) if len(start) > 1 else 1
        number, first = np.unique(_burst_of(self.place, start, length), return_index=True)
        time_us = self.time_us[first]
        usual, rate = _pace(number, time_us)
        return replace(
            self,
            place=number,
            time_us=time_us,
            usual_step_us=usual,
            us_per_place=rate,
            burst=start,
            burst_length=length,
        )

    def at(self, place: Ints) -> Ints:
        """Time of the sentences at these places (ascending), NO_TIME where none can be found."""
        if not len(self.place) or not len(place):
            return np.full(len(place), NO_TIME, np.int64)
        if self.burst is not None:
            place = _burst_of(place, self.burst, self.burst_length)
        return self._among(place)._at(place, self.time_us[0])

    def _among(self, place: Ints) -> Clock:
        """This clock with no more anchors than the ones these places lie among."""
        first = max(int(np.searchsorted(self.place, place[0], side="right")) - 1, 0)
        last = int(np.searchsorted(self.place, place[-1], side="left")) + 1
        return replace(self, place=self.place[first:last], time_us=self.time_us[first:last])

    def _at(self, place: Ints, start_us: np.int64) -> Ints:
        out = start_us + np.rint(np.interp(place, self.place, self.time_us - start_us)).astype(np.int64)
        left = _last_up_to(self.place, place)
        # One entry for what is ahead of the first anchor, one behind each: whether the time runs on evenly there.
        step, span = np.diff(self.time_us).astype(float), np.diff(self.place).astype(float)
        even = np.concatenate([[False], _is_bridged(step, span, self.usual_step_us, self.us_per_place), [False]])
        rest = np.flatnonzero(~even[left + 1])
        if len(rest):
            out[rest] = self._beside(place[rest], left[rest])
        return out

    def _beside(self, place: Ints, left: Ints) -> Ints:
        """Time of sentences ahead of all anchors, behind them, or in a break, carried on from the nearer side."""
        inside = (left >= 0) & (left < len(self.place) - 1)
        right = np.minimum(left + 1, len(self.place) - 1)
        left = np.maximum(left, 0)
        since, until = place - self.place[left], self.place[right] - place
        outside_us = max(self.usual_step_us, OUTSIDE_US)
        beside_us = np.where(inside, max(self.usual_step_us, BESIDE_US), outside_us)
        from_left, from_right = since * self.us_per_place, until * self.us_per_place
        follows = (since >= 0) & (from_left <= beside_us)
        leads = (until >= 0) & (from_right <= beside_us)
        nearer_left = follows & (~leads | (since <= until))
        out = np.full(len(place), NO_TIME, np.int64)
        out = np.where(leads, self.time_us[right] - np.rint(from_right).astype(np.int64), out)
        out = np.where(nearer_left, self.time_us[left] + np.rint(from_left).astype(np.int64), out)
        return np.where(since == 0, self.time_us[left], out)


def _last_up_to(among: Ints, place: Ints) -> Ints:
    """Index of the last of `among` that is not behind each place, both ascending; -1 where there is none."""
    first = place[0]
    if place[-1] - first != len(place) - 1 or (place[1:] - place[:-1] != 1).any():
        return np.searchsorted(among, place, side="right") - 1
    # Places without a gap: each of `among` tells by itself from which of them on it is the last.
    at = np.clip(among - first, 0, len(place))
    return np.cumsum(np.bincount(at, minlength=len(place) + 1)[:-1]) - 1


def _burst_of(place: Ints, start: Ints, length: int) -> Ints:
    """Number of the burst that each place belongs to; ahead of the first one bursts of the usual length are counted."""
    ahead = -1 - (start[0] - 1 - place) // length
    at = np.searchsorted(start, place, side="right") - 1
    return np.where(at >= 0, at, ahead)


def _gap_us(usual_step_us: float) -> float:
    return max(GAP_STEPS * usual_step_us, GAP_US)


def _is_bridged(step: NDArray[np.float64], span: NDArray[np.float64], usual: float, rate: float) -> Bools:
    """Whether the sentences between two anchors may be placed between their times."""
    talked_on = (step <= SILENCE_US) & (step <= SILENCE_RATE * rate * span)
    return (step >= 0) & ((step <= _gap_us(usual)) | talked_on)


def _pace(place: Ints, time_us: Ints) -> tuple[float, float]:
    """Usual step between anchors of different times, and usual time between sentences, both in us."""
    median = Median()
    for step, _ in _steps(place, time_us):
        median.add(step[step > 0])
    if not median.count:
        return float(SECOND), NOMINAL_US_PER_PLACE
    usual = median.value()
    total = spans = 0
    for step, span in _steps(place, time_us):
        steady = (step >= 0) & (step <= _gap_us(usual)) & (span > 0)
        total, spans = total + int(step[steady].sum()), spans + int(span[steady].sum())
    return usual, total / spans if total > 0 else NOMINAL_US_PER_PLACE


def _steps(place: Ints, time_us: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Steps of time and of place from anchor to anchor, some at a time."""
    for at in range(0, len(place) - 1, AT_ONCE):
        part = slice(at, at + AT_ONCE + 1)
        yield np.diff(time_us[part]), np.diff(place[part])


def build_clock(sources: Iterable[Anchors], season: tuple[date, date] | None) -> Clock:
    """One clock from the sources, best first; a lesser one speaks only where the better ones leave a gap.

    A clock that shows the same time in several sentences running (ten-second clocks are met) is anchored at the first
    of each run, where it has just ticked. Times of day without date take the day from dated anchors near by, or else
    count from 1970-01-01 with each step taken the short way round midnight (`dated` False). Backward steps stay.
    """
    counts: dict[str, int] = {}
    merged: Anchors | None = None
    undated = []
    for source in sources:  # each is let go before the next is made, for they may be long
        if not source.dated:
            undated.append(source)
        elif len(source.place):
            right = _right_dates(source, season, counts)
            merged = _filled(merged, right if right.own else _ticks(right))
    days, dated = merged, merged is not None
    for source in undated:
        if len(source.place):
            merged = _filled(merged, _ticks(_with_days(_unwrapped(source), days)))
    if merged is None:
        none = np.zeros(0, np.int64)
        return Clock(none, none, float(SECOND), NOMINAL_US_PER_PLACE, dated=True)
    backward = int(np.count_nonzero(merged.time_us[1:] < merged.time_us[:-1]))
    if backward:
        counts[BACKWARD_COUNT] = backward
    usual, rate = _pace(merged.place, merged.time_us)
    return Clock(merged.place, merged.time_us, usual, rate, dated, counts)


def _right_dates(source: Anchors, season: tuple[date, date] | None, counts: dict[str, int]) -> Anchors:
    """The anchors with dates that are 1,024 weeks off put right and counted."""
    if season is None and not source.satellite:
        return source
    right_us, off_count = source.time_us, 0
    for at in range(0, len(right_us), AT_ONCE):
        part = slice(at, at + AT_ONCE)
        weeks = _rollovers(source.time_us[part] // DAY, season)
        here = np.count_nonzero(weeks)
        if here:
            right_us = right_us.copy() if not off_count else right_us
            right_us[part] += weeks * (ROLLOVER_DAYS * DAY)
            off_count += here
    if not off_count:
        return source
    counts[ROLLOVER_COUNT] = counts.get(ROLLOVER_COUNT, 0) + off_count
    return replace(source, time_us=right_us)


def _rollovers(day: Ints, season: tuple[date, date] | None) -> Ints:
    """How many times 1,024 weeks each day has to be moved on."""
    moved = np.zeros(len(day), np.int64)
    if season is None:
        floor = (PLAUSIBLE_FROM - EPOCH.date()).days
        return np.maximum(-((day - floor) // ROLLOVER_DAYS), 0)
    first, last = ((d - EPOCH.date()).days for d in season)
    off = (day < first - FAR_FROM_SEASON_DAYS) | (day > last + FAR_FROM_SEASON_DAYS)
    for weeks in (1, 2, -1):
        lands = day + weeks * ROLLOVER_DAYS
        near = (lands >= first - NEAR_SEASON_DAYS) & (lands <= last + NEAR_SEASON_DAYS)
        moved = np.where(off & near & (moved == 0), weeks, moved)
    return moved


def _unwrapped(source: Anchors) -> Anchors:
    """Times of day with whole days added so that every step is the short way round."""
    turn = -np.rint(np.diff(source.time_us) / DAY).astype(np.int64)
    days = np.concatenate([[0], np.cumsum(turn)])
    return replace(source, time_us=source.time_us + days * DAY)


def _with_days(source: Anchors, dated: Anchors | None) -> Anchors:
    """Unwrapped times of day moved by whole days to follow the dated anchor nearest by place, or lead up to it.

    Logs seldom go back: of two days that would do, one up to BACK_US on the wrong side is taken, not more.
    """
    if dated is None:
        return source
    near = _nearest(dated.place, source.place)
    beside = _nearest(source.place, dated.place[near])
    ahead_us = dated.time_us[near] - source.time_us[beside]
    follows = -((BACK_US - ahead_us) // DAY)
    leads = (BACK_US + ahead_us) // DAY
    shift = np.where(source.place >= dated.place[near], follows, leads)
    return replace(source, time_us=source.time_us + shift * DAY, dated=True)


def _nearest(among: Ints, place: Ints) -> Ints:
    """Index of the member of `among` (ascending) nearest to each place, the earlier of two equally near."""
    right = np.clip(np.searchsorted(among, place), 0, len(among) - 1)
    left = np.maximum(right - 1, 0)
    return np.where(np.abs(place - among[left]) <= np.abs(among[right] - place), left, right)


def _ticks(source: Anchors) -> Anchors:
    """The first anchor of each run of equal times; after a break the first run is left out where runs are the rule.

    A coarse clock's first run may have begun before the log did, so that its first anchor is no tick.
    """
    first = np.concatenate([[True], np.diff(source.time_us) != 0])
    at = np.flatnonzero(first)
    runs = np.diff(np.append(at, len(first)))
    keep = np.ones(len(at), bool)
    if len(at) >= 3 and np.median(runs) >= 2:
        step = np.diff(source.time_us[at])
        gap = (step < 0) | (step > _gap_us(float(np.median(step[step > 0])) if (step > 0).any() else 0.0))
        begins = np.concatenate([[True], gap])
        followed = np.append(~gap, False)
        keep = ~(begins & followed)
    at = at[keep]
    return replace(source, place=source.place[at], time_us=source.time_us[at])


def _filled(better: Anchors | None, lesser: Anchors) -> Anchors | None:
    """The better anchors, their gaps filled from the lesser ones."""
    if not len(lesser.place):
        return better
    if better is None:
        return lesser
    usual, rate = _pace(better.place, better.time_us)
    taken = np.zeros(len(lesser.place), bool)
    for at in range(0, len(taken), AT_ONCE):
        part = slice(at, at + AT_ONCE)
        taken[part] = _fills(better, lesser.place[part], lesser.time_us[part], usual, rate)
    if not taken.any():
        return better
    where = np.searchsorted(better.place, lesser.place[taken])
    place = np.insert(better.place, where, lesser.place[taken])
    time_us = np.insert(better.time_us, where, lesser.time_us[taken])
    return replace(better, place=place, time_us=time_us)


def _fills(better: Anchors, place: Ints, time_us: Ints, usual: float, rate: float) -> Bools:
    """Which of these anchors lie in a gap of the better ones, or beyond their ends, and fit."""
    right = np.searchsorted(better.place, place, side="right")
    left = np.maximum(right - 1, 0)
    outside = (right == 0) | (right == len(better.place))
    right = np.minimum(right, len(better.place) - 1)
    start, end = better.time_us[left].astype(float), better.time_us[right].astype(float)
    t = time_us.astype(float)
    away = np.minimum(np.abs(place - better.place[left]), np.abs(place - better.place[right])) * rate
    step = end - start
    gap = ~outside & ((step < 0) | (step > _gap_us(usual)))
    fits = np.where(step >= 0, (t > start) & (t < end), (t > start) | (t < end))
    return (place != better.place[left]) & ((gap & fits) | (outside & (away > GAP_US)))

"""Where the boat turns: changes of tack, and large changes of course on one tack."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.angles import Floats, difference
from pipeline.sailing.smoothing import moving_angle, moving_mean
from pipeline.sailing.stretches import Ints, runs
from pipeline.sailing.track import Track

Kind = Literal["tack", "gybe", "bear away", "round up"]

# A side of the wind counts once the wind is this far off the bow or the stern, for this long: less is wander.
SIDE_CLEAR_DEG = 8.0
SIDE_HELD_S = 10.0
# A change of course that is a manoeuvre rather than steering.
LEAST_TURN_DEG = 25.0
LEAST_TWA_CHANGE_DEG = 15.0
# The turn goes on while its rate is above this share of its peak.
RATE_SHARE = 0.15
LONGEST_TURN_S = 60.0
# Time in which a change of course must come about to be one turn: longer for a longer boat.
TURN_BASE_S, TURN_PER_M, TURN_LEAST_S, TURN_MOST_S = 15.0, 0.9, 20.0, 45.0
_HEADING_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Turn:
    """Indices into the track: first sample of the turn, one past its last, and what it is."""

    first: int
    end: int
    kind: Kind


def smoothing_s(loa_m: float) -> float:
    """Seconds of smoothing before angles are judged: a longer boat turns more slowly."""
    return float(np.clip(loa_m / 3.0, 3.0, 8.0))


def sides(track: Track, loa_m: float) -> Ints:
    """Side of the wind at each sample: 1 starboard, -1 port, 0 where it is not known; held through doubt, and changed
    in it where the wind angle's sign does: after a gybe a boat may run by for a minute before its side is clear.
    """
    twa = track.smooth_angle("twa_deg", 2.0 * smoothing_s(loa_m))
    clear = np.abs(np.abs(twa) - 90.0) < 90.0 - SIDE_CLEAR_DEG
    side = np.where(clear, np.sign(twa), 0).astype(np.int64)
    least = track.count(SIDE_HELD_S)
    for value in (1, -1):
        for a, b in zip(*runs(side == value, track.stretch), strict=True):
            if b - a < least:
                side[a:b] = 0
    at = np.maximum.accumulate(np.where(side != 0, np.arange(len(side)), -1))
    held = np.where(at >= 0, side[np.maximum(at, 0)], 0)
    held = np.where((at >= 0) & (track.stretch[np.maximum(at, 0)] == track.stretch), held, 0)
    for i in _changes(held, track):
        doubt = slice(at[i - 1] + 1, i)
        surplus = np.cumsum(np.append(0.0, np.nan_to_num(np.sign(twa[doubt])) * held[i]))
        held[doubt.start + int(np.argmin(surplus)) : i] = held[i]
    return held


def _changes(side: Ints, track: Track) -> Ints:
    """First samples on a new side."""
    return np.flatnonzero((side[1:] * side[:-1] < 0) & (track.stretch[1:] == track.stretch[:-1])) + 1


def find_turns(track: Track, loa_m: float, side: Ints | None = None) -> list[Turn]:
    """All turns in order of time, none overlapping; tacks and gybes first, then bear aways and round ups between.

    `side`: the track's `sides`, where these are known already.
    """
    if len(track) < 3:
        return []
    direction = _direction(track, loa_m)
    rate = _rate(direction, track)
    turns = _side_changes(track, sides(track, loa_m) if side is None else side, rate)
    taken = np.zeros(len(track), dtype=bool)
    for turn in turns:
        taken[turn.first : turn.end] = True
    turns += _course_changes(track, loa_m, direction, rate, taken)
    return _apart(sorted(turns, key=lambda t: (t.first, t.end)))


def _apart(turns: list[Turn]) -> list[Turn]:
    """Turns in order, overlaps given to the earlier one."""
    out: list[Turn] = []
    free_from = 0
    for turn in turns:
        if turn.end > free_from:
            out.append(replace(turn, first=max(turn.first, free_from)))
            free_from = turn.end
    return out


def _direction(track: Track, loa_m: float) -> Floats:
    """Course to follow the boat by, unwrapped: heading where logged, else less the true wind angle."""
    has_heading = np.isfinite(track.hdg_deg).mean() > _HEADING_SHARE
    seconds = smoothing_s(loa_m)
    if has_heading:
        smooth = track.smooth_angle("hdg_deg", seconds)
    else:
        smooth = moving_angle(-track.twa_deg, track.count(seconds), track.stretch)
    known = np.flatnonzero(np.isfinite(smooth))
    out = np.full(len(track), np.nan)
    if known.size:
        turn = difference(smooth[known][1:], smooth[known][:-1])
        out[known] = np.concatenate(([smooth[known][0]], smooth[known][0] + np.cumsum(turn)))
    return out


def _rate(direction: Floats, track: Track) -> Floats:
    rate = np.zeros(len(track))
    dt = np.diff(track.time_s)
    step = np.diff(direction) / np.maximum(dt, 1e-3)
    step[np.diff(track.stretch) != 0] = 0.0
    rate[1:] = np.nan_to_num(step)
    return np.nan_to_num(moving_mean(rate, track.count(3.0), track.stretch))


def _side_changes(track: Track, side: Ints, rate: Floats) -> list[Turn]:
    reach = track.count(15.0)
    turns: list[Turn] = []
    for i in _changes(side, track):
        a, b = max(0, i - reach), min(len(track), i + reach)
        peak = a + int(np.argmax(np.abs(rate[a:b])))
        first, end = _extent(rate, peak, track)
        first, end = min(first, int(i)), max(end, int(i) + 1)
        across = track.twa_deg[max(0, first) : end]
        forward = np.nanmean(np.cos(np.radians(across))) if np.isfinite(across).any() else 1.0
        nearest = np.nanmin(np.abs(across)) if np.isfinite(across).any() else 0.0
        widest = np.nanmax(np.abs(across)) if np.isfinite(across).any() else 0.0
        tack = forward > 0 if (nearest < 45) == (widest > 135) else nearest < 45
        turns.append(Turn(first, end, "tack" if tack else "gybe"))
    return turns


def _extent(rate: Floats, peak: int, track: Track) -> tuple[int, int]:
    floor = RATE_SHARE * abs(rate[peak])
    sign = np.sign(rate[peak])
    most = track.count(LONGEST_TURN_S / 2)
    a, b = max(0, peak - most), min(len(rate), peak + most + 1)
    still_before = np.flatnonzero(rate[a:peak] * sign < floor)
    still_after = np.flatnonzero(rate[peak:b] * sign < floor)
    first = a + int(still_before[-1]) + 1 if still_before.size else a
    end = peak + int(still_after[0]) if still_after.size else b
    return first, max(end, peak + 1)


def _course_changes(track: Track, loa_m: float, direction: Floats, rate: Floats, taken: np.ndarray) -> list[Turn]:
    half = max(1, track.count(float(np.clip(TURN_BASE_S + TURN_PER_M * loa_m, TURN_LEAST_S, TURN_MOST_S))) // 2)
    n = len(track)
    i = np.arange(n)
    before, after = np.maximum(i - half, 0), np.minimum(i + half, n - 1)
    same = track.stretch[before] == track.stretch[after]
    swing = np.where(same, np.abs(direction[after] - direction[before]), 0.0)
    size = np.abs(track.smooth_angle("twa_deg", smoothing_s(loa_m)))
    wider = np.where(same, size[after] - size[before], 0.0)
    found = (swing >= LEAST_TURN_DEG) & (np.abs(wider) >= LEAST_TWA_CHANGE_DEG)
    sum_taken = np.concatenate(([0], np.cumsum(taken)))
    beside = sum_taken[after + 1] > sum_taken[before]  # the swing is that of a tack or gybe
    turns: list[Turn] = []
    for a, b in zip(*runs(found & ~beside, track.stretch), strict=True):
        lo, hi = max(0, int(a) - half // 2), min(n, int(b) + half // 2)
        peak = lo + int(np.argmax(np.abs(rate[lo:hi])))
        first, end = _extent(rate, peak, track)
        if taken[first:end].any():
            continue
        taken[first:end] = True
        mid = int(a + np.argmax(np.abs(wider[a:b])))
        turns.append(Turn(first, end, "bear away" if wider[mid] > 0 else "round up"))
    return turns

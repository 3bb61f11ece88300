"""Tacks, gybes, bear aways and round ups, each from the first turn of the rudder until the speed is back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.sailing.expected_speed import expected_speed_kn
from pipeline.sailing.smoothing import median_of_known
from pipeline.sailing.stretches import Ints
from pipeline.sailing.track import Track, track_of
from pipeline.sailing.turns import Kind, Turn, find_turns, sides

# A manoeuvre ends when the speed has been back at this share of what is expected for this long ...
BACK_SHARE = 0.97
BACK_HELD_S = 10.0
# ... or at a time limit after the turn: a big boat builds up for longer.
LIMIT_BASE_S, LIMIT_PER_M, LIMIT_LEAST_S, LIMIT_MOST_S = 20.0, 3.0, 30.0, 120.0
LEVEL_S = 60.0
LEAST_LEVEL_SAMPLES = 5

SCHEMA: dict[str, pl.DataType] = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "kind": pl.String(),
    "turn_end": pl.Datetime("us"),
}


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """One manoeuvre; times in microseconds since 1970 (UTC). The turn itself ends before the build-up does."""

    start: int
    end: int
    turn_end: int
    kind: Kind


def time_limit_s(loa_m: float) -> float:
    """Longest build-up after a turn that is waited for, in seconds."""
    return float(np.clip(LIMIT_BASE_S + LIMIT_PER_M * loa_m, LIMIT_LEAST_S, LIMIT_MOST_S))


def find_manoeuvres(samples_with_wind: pl.DataFrame, boat: Boat) -> pl.DataFrame:
    """Manoeuvres of a season: `start, end, kind, turn_end` (the turn itself ends before the build-up does).

    `samples_with_wind` as `add_true_wind` leaves it, 0.2 to 10 Hz; without heading the turns are read off the true
    wind angle. Kinds: `tack`, `gybe`, `bear away`, `round up`.
    """
    return manoeuvres_of(track_of(samples_with_wind), boat.loa_m)


def manoeuvres_of(track: Track, loa_m: float) -> pl.DataFrame:
    """The same on a track."""
    found = manoeuvres_along(track, loa_m, expected_speed_kn(track), sides(track, loa_m))
    whole = pl.DataFrame(
        {name: [getattr(m, name) for m in found] for name in SCHEMA},
        schema={name: pl.String if name == "kind" else pl.Int64 for name in SCHEMA},
    )
    return whole.cast(SCHEMA)


def manoeuvres_along(track: Track, loa_m: float, expected: Floats, side: Ints) -> list[Manoeuvre]:
    """Manoeuvres in order of time; `expected`: `expected_speed_kn` of the track, `side`: its `sides`."""
    turns = find_turns(track, loa_m, side)
    speed = track.smooth("bsp_kn", 5.0)
    limit_s = time_limit_s(loa_m)
    busy = np.zeros(len(track), dtype=bool)
    for turn in turns:
        until = np.searchsorted(track.time_s, track.time_s[turn.end - 1] + limit_s)
        busy[turn.first : until] = True
    found = []
    for i, turn in enumerate(turns):
        next_first = turns[i + 1].first if i + 1 < len(turns) else len(track)
        end = min(_back(track, turn, speed, expected, busy, limit_s), next_first)
        end = max(end, turn.end)
        at = (turn.first, min(end, len(track)) - 1, turn.end - 1)
        found.append(Manoeuvre(*(round(float(track.time_s[i]) * 1e6) for i in at), turn.kind))
    return found


def _back(track: Track, turn: Turn, speed: Floats, expected: Floats, busy: np.ndarray, limit_s: float) -> int:
    """Index one past the last sample of the manoeuvre."""
    time_s = track.time_s
    last = int(np.searchsorted(time_s, time_s[turn.end - 1] + limit_s, side="right"))
    same = track.stretch[turn.end : last] == track.stretch[turn.end - 1]
    last = turn.end + int(np.argmin(same)) if not same.all() else last
    after = slice(turn.end, last)
    back = np.nan_to_num(speed[after]) >= BACK_SHARE * _aim(track, turn, speed, expected, busy, limit_s, after)
    at = np.arange(len(back))
    since = at - np.maximum.accumulate(np.where(back, -1, at))
    held = np.flatnonzero(since >= track.count(BACK_HELD_S))
    return turn.end + int(held[0]) + 1 if held.size else last


def _aim(
    track: Track, turn: Turn, speed: Floats, expected: Floats, busy: np.ndarray, limit_s: float, after: slice
) -> Floats:
    """Speed to come back to, at the samples `after`: the rough speed in that wind, scaled to what this boat did just
    before and after.

    A tack or gybe is measured by both sides, a change of course only by what follows.
    """
    time_s = track.time_s
    after_s = time_s[turn.end - 1] + limit_s
    spans = [(np.searchsorted(time_s, after_s), np.searchsorted(time_s, after_s + LEVEL_S))]
    if turn.kind in ("tack", "gybe"):
        spans.append((np.searchsorted(time_s, time_s[turn.first] - LEVEL_S), turn.first))
    near = np.concatenate([np.arange(a, b) for a, b in sorted(spans)])
    use = near[~busy[near] & (track.stretch[near] == track.stretch[turn.first])]
    relative = speed[use] / expected[use]
    rough = expected[after]
    if np.isfinite(relative).sum() >= LEAST_LEVEL_SAMPLES:
        aim = rough * median_of_known(relative)
        known = np.isfinite(rough)
        return aim if known.all() else np.where(known, aim, median_of_known(speed[use]))
    if np.isfinite(speed[use]).sum() >= LEAST_LEVEL_SAMPLES:
        return np.full(len(rough), median_of_known(speed[use]))
    return np.where(np.isfinite(rough), rough, np.inf)

"""The time around a change of sails that belongs to neither set."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.smoothing import median_of_known
from pipeline.sailing.times import seconds
from pipeline.sailing.track import Track

# Sail logs are written to the minute, and a change is under way before and after its stamp.
LEAST_BEFORE_S, LEAST_AFTER_S = 60.0, 90.0
# The data may show that it lasts longer, up to here.
MOST_BEFORE_S, MOST_AFTER_S = 180.0, 300.0
LEVEL_S = 180.0
DISTURBED_SHARE, BACK_SHARE = 0.93, 0.97
BACK_HELD_S = 10.0


def sail_change_spans(track: Track, segments: pl.DataFrame, expected: Floats) -> list[tuple[float, float]]:
    """Spans (seconds since 1970) around each change of set between adjoining segments.

    At least 60 s before and 90 s after the logged time; longer, to 180 s and 300 s, as long as the speed relative to
    `expected` (`expected_speed_kn` of the track) stays below what it is on either side.
    """
    times = _changes(segments)
    if not times:
        return []
    relative = track.smooth("bsp_kn", 10.0) / expected
    return [_span(track, relative, t) for t in times]


def _changes(segments: pl.DataFrame) -> list[float]:
    start_s, end_s, names = seconds(segments["start"]), seconds(segments["end"]), segments["sail_set"].to_list()
    return [start_s[i] for i in range(1, len(names)) if start_s[i] == end_s[i - 1] and names[i] != names[i - 1]]


def _span(track: Track, relative: Floats, at_s: float) -> tuple[float, float]:
    t = track.time_s

    def part(low_s: float, high_s: float) -> slice:
        return slice(int(np.searchsorted(t, at_s + low_s)), int(np.searchsorted(t, at_s + high_s)))

    before = median_of_known(relative[part(-MOST_BEFORE_S - LEVEL_S, -MOST_BEFORE_S)])
    after = median_of_known(relative[part(MOST_AFTER_S, MOST_AFTER_S + LEVEL_S)])
    first_s, last_s = at_s - LEAST_BEFORE_S, at_s + LEAST_AFTER_S
    early = part(-MOST_BEFORE_S, -LEAST_BEFORE_S)
    slow = np.flatnonzero(relative[early] < DISTURBED_SHARE * before)
    if slow.size and _reaches(slow, early.stop - early.start, track.count(BACK_HELD_S)):
        first_s = float(t[early.start + _run_start(slow)])
    late = part(LEAST_AFTER_S, MOST_AFTER_S)
    back = np.flatnonzero(~(relative[late] < BACK_SHARE * after))
    still_slow = int(back[0]) if back.size else max(late.stop - late.start, 0)
    return first_s, float(t[late.start + still_slow - 1]) if still_slow else last_s


def _reaches(slow: np.ndarray, length: int, slack: int) -> bool:
    return bool(slow[-1] >= length - slack)


def _run_start(slow: np.ndarray) -> int:
    """First index of the last unbroken run."""
    breaks = np.flatnonzero(np.diff(slow) > 1)
    return int(slow[breaks[-1] + 1] if breaks.size else slow[0])

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
_BORDERS_S = (
    *(-MOST_BEFORE_S - LEVEL_S, -MOST_BEFORE_S, -LEAST_BEFORE_S),
    *(LEAST_AFTER_S, MOST_AFTER_S, MOST_AFTER_S + LEVEL_S),
)


def sail_change_spans(track: Track, segments: pl.DataFrame, expected: Floats) -> list[tuple[float, float]]:
    """Spans (seconds since 1970) around each change of set between adjoining segments.

    At least 60 s before and 90 s after the logged time; longer, to 180 s and 300 s, as long as the speed relative to
    `expected` (`expected_speed_kn` of the track) stays below what it is on either side.
    """
    times = np.array(_changes(segments))
    if not times.size:
        return []
    relative = track.smooth("bsp_kn", 10.0) / expected
    borders = np.searchsorted(track.time_s, times[:, None] + np.array(_BORDERS_S))
    return [_span(track, relative, t, at) for t, at in zip(times.tolist(), borders.tolist(), strict=True)]


def _changes(segments: pl.DataFrame) -> list[float]:
    start_s, end_s, names = seconds(segments["start"]), seconds(segments["end"]), segments["sail_set"].to_list()
    return [start_s[i] for i in range(1, len(names)) if start_s[i] == end_s[i - 1] and names[i] != names[i - 1]]


def _span(track: Track, relative: Floats, at_s: float, borders: list[int]) -> tuple[float, float]:
    """The span around a change at `at_s`; `borders`: samples at `_BORDERS_S` from it."""
    t = track.time_s
    level_before, most_before, least_before, least_after, most_after, level_after = borders
    before = median_of_known(relative[level_before:most_before])
    after = median_of_known(relative[most_after:level_after])
    first_s, last_s = at_s - LEAST_BEFORE_S, at_s + LEAST_AFTER_S
    slow = np.flatnonzero(relative[most_before:least_before] < DISTURBED_SHARE * before)
    if slow.size and _reaches(slow, least_before - most_before, track.count(BACK_HELD_S)):
        first_s = float(t[most_before + _run_start(slow)])
    back = np.flatnonzero(~(relative[least_after:most_after] < BACK_SHARE * after))
    still_slow = int(back[0]) if back.size else max(most_after - least_after, 0)
    return first_s, float(t[least_after + still_slow - 1]) if still_slow else last_s


def _reaches(slow: np.ndarray, length: int, slack: int) -> bool:
    return bool(slow[-1] >= length - slack)


def _run_start(slow: np.ndarray) -> int:
    """First index of the last unbroken run."""
    breaks = np.flatnonzero(np.diff(slow) > 1)
    return int(slow[breaks[-1] + 1] if breaks.size else slow[0])

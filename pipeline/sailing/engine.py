"""Times under engine: as logged, and where sails cannot be what moves the boat."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.sailing.stretches import Flags, lasting, runs
from pipeline.sailing.times import Spans, seconds
from pipeline.sailing.track import Track

# No yacht sails this close to the true wind; only held for this long and at this speed does it mean an engine.
TOO_CLOSE_DEG = 25.0
TOO_CLOSE_KN = 2.0
# Faster than this multiple of the wind and this much: beyond the best of multihulls in light air.
TOO_FAST_RATIO = 3.0
TOO_FAST_KN = 3.0
LIGHT_AIR_KN = 4.0
HELD_S = 60.0
SMOOTH_S = 20.0
# An engine runs some time before and after the moments that give it away.
MARGIN_S = 90.0
JOIN_S = 300.0
LONGEST_LOGGED_S = 24 * 3600.0


def engine_by_the_data(track: Track) -> Flags:
    """Samples where the boat goes straight upwind, or several times faster than a light wind, for a minute and more.

    Careful by intent: motor-sailing at sailing angles cannot be told apart and stays in.
    """
    if len(track) == 0:
        return np.zeros(0, dtype=bool)
    twa = np.abs(track.smooth_angle("twa_deg", SMOOTH_S))
    tws = track.smooth("tws_kn", SMOOTH_S)
    bsp = track.smooth("bsp_kn", SMOOTH_S)
    upwind = (twa < TOO_CLOSE_DEG) & (bsp > TOO_CLOSE_KN)
    becalmed = (tws < LIGHT_AIR_KN) & (bsp > TOO_FAST_KN) & (bsp > TOO_FAST_RATIO * tws)
    found = lasting(upwind | becalmed, track.time_s, HELD_S, track.stretch)
    return _widened(track, found)


def head_to_wind(track: Track) -> Flags:
    """Samples closer to the wind than any yacht sails, at whatever speed: luffing, lying to, or under engine."""
    twa = track.smooth_angle("twa_deg", SMOOTH_S)
    return np.abs(twa) < TOO_CLOSE_DEG


def engine_spans(settings_log: pl.DataFrame | None) -> Spans:
    """From `engine on` to the next entry on the engine in the settings log (at most a day), in order of time."""
    if settings_log is None or settings_log.height == 0:
        return []
    log = engine_rows(settings_log)
    times = seconds(log["time"]).tolist()
    states = log["value"].cast(pl.String).str.to_lowercase().str.strip_chars().to_list()
    return [
        (at_s, min([at_s + LONGEST_LOGGED_S, *times[i + 1 : i + 2]]))
        for i, (at_s, state) in enumerate(zip(times, states, strict=True))
        if state == "on"
    ]


def engine_logged(track: Track, spans: Spans) -> Flags:
    """Samples within `engine_spans`; that at the very end of one is outside."""
    out = np.zeros(len(track), dtype=bool)
    for a, b in np.searchsorted(track.time_s, np.array(spans, dtype=float).reshape(-1, 2)).tolist():
        out[a:b] = True
    return out


def engine_rows(settings_log: pl.DataFrame) -> pl.DataFrame:
    """What the settings log says of the engine, in order of time."""
    item = pl.col("item").str.to_lowercase().str.strip_chars()
    return settings_log.filter(item == "engine").sort("time", maintain_order=True)


def _widened(track: Track, found: Flags) -> Flags:
    out = found.copy()
    ends_s = -np.inf
    for a, b in zip(*runs(found, track.stretch), strict=True):
        low_s = track.time_s[a] - MARGIN_S
        low_s = ends_s if ends_s > -np.inf and track.time_s[a] - ends_s < JOIN_S else low_s
        high_s = track.time_s[b - 1] + MARGIN_S
        i, j = np.searchsorted(track.time_s, (low_s, high_s), side="left")
        part = slice(int(i), int(j))
        out[part] |= track.stretch[part] == track.stretch[a]
        ends_s = float(track.time_s[b - 1])
    return out

"""Steady windows of a whole season at once: the steps of `stages.windows` without a store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.sailing.engine import engine_spans
from pipeline.sailing.piece_windows import as_table, chosen, examine, possible_windows
from pipeline.sailing.pieces import Piece, pieces_of, slices
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.speed_lag import settled_lag
from pipeline.sailing.track import track_of
from pipeline.sailing.windows import assemble, rules_of, season_flags, season_memory

# Where nothing was logged.
NOWHEN = Piece(datetime(1, 1, 1), datetime(1, 1, 1))


@dataclass(frozen=True, slots=True)
class SteadyWindows:
    """`windows`: columns of the table and more; `set_aside`: start, end, reason; `flags`: stage, reason, kept, count
    (samples of the log, and the number of windows); `thresholds`: name, value, unit, why.
    """

    windows: pl.DataFrame
    set_aside: pl.DataFrame
    flags: pl.DataFrame
    thresholds: pl.DataFrame


def steady_windows(
    samples_with_wind: pl.DataFrame,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    boat: Boat,
    *,
    exclude: pl.DataFrame | None = None,
    settings_log: pl.DataFrame | None = None,
) -> SteadyWindows:
    """Tables of a season from its samples with wind, computed in one go."""
    samples = samples_with_wind.sort("time")
    segments, sessions = segments.sort("start"), sessions.sort("start")
    logged = list(find_sessions(samples["time"]).select("start", "end").iter_rows())
    spans = pieces_of(logged) or [NOWHEN]
    pieces = [
        examine(
            track_of(samples[part]),
            piece.touching(segments),
            piece.touching(sessions),
            boat,
            exclude=exclude,
            engine=engine_spans(settings_log),
        )
        for piece, part in zip(spans, slices(spans, samples["time"].to_physical().to_numpy()), strict=True)
    ]
    lag = settled_lag([p.lag for p in pieces], boat.loa_m)
    possible = [possible_windows(p, lag.lag_s) for p in pieces]
    steps_s = [p.track.step_s for p in pieces]
    rules = rules_of(lag, (p.counts for p in possible), steps_s)
    found = [chosen(p, w, rules) for p, w in zip(pieces, possible, strict=True)]
    memory = season_memory(zip(steps_s, (f.memory for f in found), strict=True))
    windows = assemble(as_table(found), memory, sessions, settings_log)
    aside = pl.concat([f.set_aside for f in found])
    return SteadyWindows(windows, aside, season_flags([f.counts for f in found], windows.height), rules.table())

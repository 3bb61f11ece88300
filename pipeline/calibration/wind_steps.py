"""By how much the computed wind steps at each tack, gybe, change of course and sail change: for plausibility.

A step holds the wind's own shift beside the instruments' error; the mean over many tacks is what the calibration
would take out, were it not that crews tack on headers. The estimate itself does not use these steps.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import circular_mean, wrap_180
from pipeline.calibration.wind_pieces import Pieces, sail_changes_s

SAIL_CHANGE = "sail change"
# Pieces so near, on either side, are compared; not beyond the next event.
REACH_S = 240.0
_US = 1e6

SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("us"),
    "kind": pl.String(),
    "day": pl.Date(),
    "twd_step_deg": pl.Float64(),
    "tws_step_kn": pl.Float64(),
    "to_starboard": pl.Boolean(),
}


def wind_steps(pieces: Pieces, manoeuvres: pl.DataFrame, segments: pl.DataFrame) -> pl.DataFrame:
    """Steps at events with pieces on both sides: `time, kind, day, twd_step_deg, tws_step_kn, to_starboard`.

    After less before, by the calibration in use; direction positive to the right. `to_starboard`: wind from starboard
    afterwards. Kinds: `tack`, `gybe`, `bear away`, `round up`, `sail change`.
    """
    events = _events(manoeuvres, segments)
    at_s = np.array([t for t, _ in events])
    rows = []
    for i, (time_s, kind) in enumerate(events):
        low = max(time_s - REACH_S, at_s[i - 1] if i > 0 else -np.inf)
        high = min(time_s + REACH_S, at_s[i + 1] if i + 1 < len(events) else np.inf)
        a, m, b = np.searchsorted(pieces.time_s, (low, time_s, high))
        if a == m or m == b or pieces.chunk[m - 1] != pieces.chunk[m]:
            continue
        before, after = _mean_wind(pieces, slice(a, m)), _mean_wind(pieces, slice(m, b))
        step = wrap_180(after[0] - before[0])
        side = bool(pieces.twa_deg[m] > 0.0)
        rows.append(
            (round(time_s * _US), kind, pieces.days[int(pieces.day[m])], float(step), after[1] - before[1], side)
        )
    schema = {**SCHEMA, "time": pl.Int64()}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(pl.col("time").cast(pl.Datetime("us")))


def _events(manoeuvres: pl.DataFrame, segments: pl.DataFrame) -> list[tuple[float, str]]:
    turns = zip(manoeuvres["start"].to_physical().to_list(), manoeuvres["kind"].to_list(), strict=True)
    both = [(t / _US, kind) for t, kind in turns] + [(t, SAIL_CHANGE) for t in sail_changes_s(segments)]
    return sorted(both)


def _mean_wind(pieces: Pieces, part: slice) -> tuple[float, float]:
    return float(circular_mean(pieces.twd_deg[part])), float(np.mean(pieces.tws_kn[part]))

"""Steady windows: stretches in which set, tack, wind and heading hold still enough for one averaged point.

Found piece by piece (`pieces`, `piece_windows`); here is what the season adds: its rules, from the evidence of all
pieces, and what a window has from the season as a whole. So a season gives the same windows whether its days came one
by one or at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.effective_size import autocorrelation, effective_n
from pipeline.sailing.set_aside import KEPT
from pipeline.sailing.speed_lag import SpeedLag
from pipeline.sailing.states_in_force import states_in_force
from pipeline.sailing.times import row_at, seconds
from pipeline.sailing.window_rules import WindowRules, own_limits, window_length_s
from pipeline.tables import TABLES

STAGE = "windows"


def rules_of(lag: SpeedLag, counts: Iterable[Mapping[str, list[int]]], steps_s: Iterable[float]) -> WindowRules:
    """The season's rules: its lag, and its limits from `PossibleWindows.counts` of its pieces; `steps_s` of these."""
    usual_step_s = float(np.median([*steps_s]))
    return WindowRules(window_length_s(lag.lag_s, usual_step_s), lag, own_limits(counts))


def season_memory(pieces: Iterable[tuple[float, Floats]]) -> dict[float, Floats]:
    """`lagged_products` of the season by the step of its pieces, from (step, products) of these in order of time."""
    out: dict[float, Floats] = {}
    for step_s, products in pieces:
        out[step_s] = out[step_s] + products if step_s in out else products
    return out


def assemble(
    found: pl.DataFrame,
    memory: Mapping[float, Floats],
    sessions: pl.DataFrame,
    settings_log: pl.DataFrame | None,
) -> pl.DataFrame:
    """The table of windows from those of the pieces in order of time, with what only the season knows of them.

    Added: number and day of the session, effective size by the season's `memory`, and the states of the settings log.
    """
    start_s, samples = seconds(found["start"]), found["samples"].to_numpy()
    session = pl.Series(np.maximum(row_at(start_s, sessions), 0), dtype=pl.UInt32)
    worth = np.ones(found.height)
    for step_s, sums in memory.items():
        here = found["step_s"].to_numpy() == step_s
        worth[here] = effective_n(samples[here], autocorrelation(sums))
    if found.is_empty():
        sessions = sessions.head(0)
    columns = [
        sessions["session"].cast(pl.Int64).gather(session),
        pl.Series("effective_n", worth),
        sessions["start"].gather(session).dt.strftime("%Y-%m-%d").alias("day"),
        *(series.alias(name) for name, series in states_in_force(start_s, settings_log).items()),
    ]
    return TABLES["windows"].conform(found.drop("step_s").with_columns(columns))


def season_flags(counts: Iterable[Mapping[str, int]], windows: int) -> pl.DataFrame:
    """Samples by reason over all pieces, and the number of windows."""
    total: Counter[str] = Counter()
    for piece in counts:
        total.update(piece)
    rows = [("steady windows", "windows kept", True, windows)]
    rows += [(STAGE, name, name == KEPT, count) for name, count in sorted(total.items())]
    return pl.DataFrame(rows, schema=TABLES["flags"].columns, orient="row")

"""Times of tables as seconds since 1970 and back, and which samples lie in which spans of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.stretches import Flags, Ints
from pipeline.sailing.track import SECONDS

# Starts and ends in seconds since 1970.
Spans = Sequence[tuple[float, float]]

_US = 1e6


def seconds(times: pl.Series) -> Floats:
    """Times, none missing, as seconds since 1970."""
    return np.asarray(times.to_numpy().astype("datetime64[us]").view(np.int64) * SECONDS, dtype=float)


def moments(time_s: Floats) -> pl.Series:
    """Seconds since 1970 as times (naive, UTC)."""
    whole = np.round(np.asarray(time_s, dtype=float) * _US).astype(np.int64)
    return pl.Series(whole.view("datetime64[us]"))


def row_at(time_s: Floats, frame: pl.DataFrame) -> Ints:
    """Row of `frame` (columns `start`, `end`, ascending) that each of ascending times falls into, -1 where none.

    A time on a border belongs to the later row.
    """
    out = np.full(len(time_s), -1, dtype=np.int64)
    first = np.searchsorted(time_s, seconds(frame["start"]), side="left").tolist()
    end = np.searchsorted(time_s, seconds(frame["end"]), side="right").tolist()
    for row, (a, b) in enumerate(zip(first, end, strict=True)):
        out[a:b] = row
    return out


def in_spans(time_s: Floats, spans: Spans) -> Flags:
    """Which of ascending times lie in any of the spans, both ends included."""
    out = np.zeros(len(time_s), dtype=bool)
    starts, ends = np.array(spans, dtype=float).reshape(-1, 2).T
    first, end = np.searchsorted(time_s, starts, side="left"), np.searchsorted(time_s, ends, side="right")
    for a, b in zip(first.tolist(), end.tolist(), strict=True):
        out[a:b] = True
    return out

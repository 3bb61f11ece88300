"""Pieces of a season: stretches of the logs far enough apart that what is found in one says nothing about another.

A piece is a run of sessions without a gap of 20 minutes; one of more than 18 hours (a passage) is cut at every UTC
midnight, so that a day more costs a day's work there, too. Manoeuvres and windows are found within one piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

# Longer than a session's gap, so that a tick moved by a shared clock cannot join or part two pieces.
PIECE_GAP = timedelta(minutes=20)
MARGIN = timedelta(minutes=1)
LONGEST = timedelta(hours=18)

_US = "datetime64[us]"


@dataclass(frozen=True, slots=True)
class Piece:
    """The span [lo, hi) of a piece, UTC; it reaches a little into the gaps on either side."""

    lo: datetime
    hi: datetime

    def touching(self, spans: pl.DataFrame) -> pl.DataFrame:
        """Rows of a frame with `start` and `end`, in order and apart, that overlap the piece."""
        return all_touching([self], spans)[0]


def all_touching(pieces: Sequence[Piece], spans: pl.DataFrame) -> list[pl.DataFrame]:
    """`touching` of many pieces."""
    lows, highs = _bounds(pieces)
    first = np.searchsorted(spans["end"].to_numpy(), lows, side="left")
    last = np.searchsorted(spans["start"].to_numpy(), highs, side="left")
    return [spans[int(a) : int(b)] for a, b in zip(first, last, strict=True)]


def _bounds(pieces: Sequence[Piece]) -> tuple[NDArray[np.datetime64], NDArray[np.datetime64]]:
    """Beginnings and ends in microseconds."""
    return np.array([p.lo for p in pieces], dtype=_US), np.array([p.hi for p in pieces], dtype=_US)


def slices(pieces: Sequence[Piece], time_us: NDArray[np.int64]) -> list[slice]:
    """Where the samples of each piece lie among ascending times (microseconds since 1970, UTC)."""
    first, end = (np.searchsorted(time_us, times.astype(np.int64)) for times in _bounds(pieces))
    return [slice(int(a), int(b)) for a, b in zip(first, end, strict=True)]


def joined(spans: list[tuple[datetime, datetime]], gap: timedelta) -> list[tuple[datetime, datetime]]:
    """Spans in order of time, those less than `gap` apart made one."""
    out: list[tuple[datetime, datetime]] = []
    for start, end in sorted(spans):
        if out and start - out[-1][1] < gap:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def pieces_of(spans: list[tuple[datetime, datetime]]) -> list[Piece]:
    """Pieces that cover spans of logged time (first and last sample of each), in order."""
    out = []
    for start, end in joined(spans, PIECE_GAP):
        cuts = [start - MARGIN, *(_midnights(start, end) if end - start > LONGEST else []), end + MARGIN]
        out += [Piece(lo, hi) for lo, hi in pairwise(cuts)]
    return out


def _midnights(start: datetime, end: datetime) -> list[datetime]:
    first = datetime.combine(start.date() + timedelta(days=1), time())
    return [first + timedelta(days=k) for k in range(max(0, (end - first).days + 1)) if first + timedelta(days=k) < end]

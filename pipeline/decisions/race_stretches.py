"""Races cut into stretches of one set on one tack, and these into short pieces with one mean wind each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import AsSailed, Ints
from pipeline.sailing.times import seconds
from pipeline.sailing.turns import sides

# A stretch is cut at changes of set, turns and gaps, and evenly where it is longer than this: conditions change.
LONGEST_STRETCH_S = 300.0
# Winds are averaged over pieces of about this length: eddies go, gusts that the boat answers stay.
PIECE_S = 30.0
SHORTEST_STRETCH_S = 10.0
LONGEST_GAP_S = 10.0


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces in order of time, arrays (n,). `seconds`: time covered; `set_number`: index in the fit's sets or -1;
    `segment`: row of the segments; `stretch`: number of the stretch, from 0; `race`: number of the race.
    """

    start_s: Floats
    end_s: Floats
    seconds: Floats
    tws_kn: Floats
    twa_deg: Floats
    set_number: Ints
    segment: Ints
    stretch: Ints
    race: Ints

    def __len__(self) -> int:
        """Number of pieces."""
        return len(self.start_s)

    @property
    def first(self) -> Ints:
        """First piece of each stretch."""
        return np.searchsorted(self.stretch, np.arange(self.stretch[-1] + 1 if len(self) else 0))


def race_names(races: pl.DataFrame | None) -> list[str]:
    """Name of each race, by its number where it has none."""
    return [] if races is None else [n or f"race {k}" for k, n in enumerate(races["name"].to_list(), 1)]


def cut_races(sailed: AsSailed, races: pl.DataFrame | None, loa_m: float) -> Pieces:
    """Pieces of all races, `races` with `start, finish`; turns, gaps and samples without true wind are left out."""
    track = sailed.track
    side = sides(track, loa_m)
    track.forget()
    usable = ~sailed.turning & np.isfinite(track.tws_kn) & np.isfinite(track.twa_deg) & (sailed.segment >= 0)
    parts: list[np.ndarray] = []
    spans = [] if races is None else zip(seconds(races["start"]), seconds(races["finish"]), strict=True)
    for number, (start_s, finish_s) in enumerate(spans):
        a, b = np.searchsorted(track.time_s, [start_s, finish_s])
        at = a + np.flatnonzero(usable[a:b])
        if at.size:
            parts.append(np.column_stack([at, np.full(at.size, number)]))
    if not parts:
        return _no_pieces()
    at, race = np.concatenate(parts).T
    return _averaged(sailed, at, race, _stretches(sailed, at, race, side))


def _no_pieces() -> Pieces:
    none, whole = np.zeros(0), np.zeros(0, dtype=np.int64)
    return Pieces(none, none, none, none, none, whole, whole, whole, whole)


def _stretches(sailed: AsSailed, at: Ints, race: Ints, side: Ints) -> Ints:
    """Number of the stretch of each sample, -1 in those too short to say anything."""
    time_s = sailed.track.time_s[at]
    cut = (np.diff(time_s) > LONGEST_GAP_S) | (np.diff(race) != 0)
    for state in (sailed.segment[at], side[at], np.cumsum(sailed.turning)[at]):
        cut |= np.diff(state) != 0
    run = np.concatenate([[0], np.cumsum(cut)])
    _, first, count = np.unique(run, return_index=True, return_counts=True)
    length = time_s[first + count - 1] - time_s[first] + sailed.track.step_s
    parts = np.maximum(np.ceil(length / LONGEST_STRETCH_S), 1.0)
    share = (time_s - time_s[first][run]) / length[run]
    part = np.minimum(np.floor(share * parts[run]), parts[run] - 1)
    number = np.unique(run * (parts.max() + 1) + part, return_inverse=True)[1]
    return np.where(length[run] >= SHORTEST_STRETCH_S, number, -1).astype(np.int64)


def _averaged(sailed: AsSailed, at: Ints, race: Ints, stretch: Ints) -> Pieces:
    kept = stretch >= 0
    at, race = at[kept], race[kept]
    if at.size == 0:
        return _no_pieces()
    stretch = np.unique(stretch[kept], return_inverse=True)[1].astype(np.int64)
    track, time_s = sailed.track, sailed.track.time_s[at]
    first = np.searchsorted(stretch, np.arange(stretch[-1] + 1))
    last = np.append(first[1:], len(at)) - 1
    length = time_s[last] - time_s[first] + track.step_s
    parts = np.maximum(np.round(length / PIECE_S), 1.0)
    share = (time_s - time_s[first][stretch]) / length[stretch]
    part = np.minimum(np.floor(share * parts[stretch]), parts[stretch] - 1)
    number = stretch * (parts.max() + 1) + part
    _, start, piece, count = np.unique(number, return_index=True, return_inverse=True, return_counts=True)

    def mean(values: Floats) -> Floats:
        return np.bincount(piece, values) / count

    angle = np.radians(np.abs(track.twa_deg[at]))
    end = np.append(start[1:], len(at)) - 1
    return Pieces(
        time_s[start],
        time_s[end] + track.step_s,
        count * track.step_s,
        mean(track.tws_kn[at]),
        np.degrees(np.arctan2(mean(np.sin(angle)), mean(np.cos(angle)))),
        sailed.set_number[at][start],
        sailed.segment[at][start],
        stretch[start],
        race[start].astype(np.int64),
    )

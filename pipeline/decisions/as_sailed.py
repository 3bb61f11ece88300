"""The season second by second with its manoeuvres and sets: what the costs of changes and the races are read from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.decisions.season import Season
from pipeline.sailing.manoeuvres import manoeuvres_of
from pipeline.sailing.times import row_at, seconds
from pipeline.sailing.track import Track, track_of

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class AsSailed:
    """`track`: arrays at about one a second; `manoeuvres` as of `sailing`, sorted; `set_number` and `segment` for each
    step of the track: index of the set up in the fit's sets, and row of the segments, -1 where none; `turning`: within
    the turn itself of a manoeuvre.
    """

    track: Track
    manoeuvres: pl.DataFrame
    set_number: Ints
    segment: Ints
    turning: NDArray[np.bool_]


def as_sailed(season: Season) -> AsSailed:
    """Track, manoeuvres and sets of a season."""
    track = track_of(season.wind)
    manoeuvres = manoeuvres_of(track, season.campaign.boat.loa_m).sort("start")
    track.forget()
    segments = season.segments.sort("start")
    segment = row_at(track.time_s, segments)
    numbers = {name: k for k, name in enumerate(season.fit.sets)}
    of_segment = np.array([numbers.get(n, -1) for n in segments["sail_set"].to_list()] or [-1], dtype=np.int64)
    set_number = np.where(segment >= 0, of_segment[np.maximum(segment, 0)], -1)
    turning = np.zeros(len(track), dtype=bool)
    for start_s, end_s in zip(seconds(manoeuvres["start"]), seconds(manoeuvres["turn_end"]), strict=True):
        turning[np.searchsorted(track.time_s, start_s) : np.searchsorted(track.time_s, end_s, side="right")] = True
    return AsSailed(track, manoeuvres, set_number, segment, turning)

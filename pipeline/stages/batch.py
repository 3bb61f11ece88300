"""Neighbouring pieces of the season whose samples are read together: their wind, and what is to be seen in each."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.campaign.campaign import Campaign
from pipeline.sailing import track, wind_of_samples
from pipeline.sailing.corrections_in_force import corrections_in_force
from pipeline.sailing.piece_windows import Examined, examine
from pipeline.sailing.pieces import Piece, all_touching, slices
from pipeline.sailing.sensor_sign import Votes
from pipeline.sailing.tagging import set_at
from pipeline.sailing.times import Spans
from pipeline.sailing.track import track_along
from pipeline.sailing.wind_of_samples import TrueWind, channels_of, joined_winds, true_wind, votes_on_signs

CHANNELS = (*wind_of_samples.CHANNELS_READ, *track.CHANNELS_READ)
WIND_COLUMNS = (
    "time",
    "sail_set",
    "bsp_kn",
    "speed_source",
    "hdg_deg",
    "awa_deg",
    "aws_kn",
    "leeway_deg",
    "twa_deg",
    "tws_kn",
    "twd_deg",
    "ctw_deg",
    "heel_deg",
)


class Batch:
    """Pieces without another between them, and their samples as arrays.

    What it gives is in the order of the pieces.
    """

    def __init__(
        self, pieces: Sequence[Piece], samples: pl.DataFrame, segments: pl.DataFrame, sessions: pl.DataFrame
    ) -> None:
        """`samples` with `CHANNELS`; `segments` and `sessions` of the whole season."""
        self.time = samples["time"]
        self.time_us = self.time.to_physical().to_numpy()
        self.sail_set = set_at(self.time, Piece(pieces[0].lo, pieces[-1].hi).touching(segments))
        self.segments, self.sessions = all_touching(pieces, segments), all_touching(pieces, sessions)
        self.parts = slices(pieces, self.time_us)
        channels = channels_of(samples, CHANNELS)
        self.channels = [{name: values[part] for name, values in channels.items()} for part in self.parts]

    def votes(self) -> list[dict[str, Votes]]:
        """`votes_on_signs` of each piece."""
        return [votes_on_signs(channels) for channels in self.channels]

    def examined(
        self, campaign: Campaign, contrary: tuple[str, ...], engine: Spans
    ) -> tuple[list[TrueWind], list[Examined]]:
        """Wind of each piece, and the piece without its windows; `contrary`: the channels of contrary sign."""
        boat = campaign.boat
        use = corrections_in_force(boat.calibration, self.time, self.sail_set)
        winds, found = [], []
        for i, (part, channels) in enumerate(zip(self.parts, self.channels, strict=True)):
            time_us = self.time_us[part]
            wind = true_wind(channels, time_us, {name: v[part] for name, v in use.items()}, boat, contrary)
            track = track_along(time_us, channels | wind.columns, wind.ground)
            piece = examine(track, self.segments[i], self.sessions[i], boat, exclude=campaign.exclude, engine=engine)
            winds.append(wind)
            found.append(piece)
        return winds, found

    def wind_rows(self, winds: Sequence[TrueWind]) -> pl.DataFrame:
        """The wind of all pieces as rows of the store."""
        return pl.DataFrame([self.time, self.sail_set, *joined_winds(winds).series()]).select(WIND_COLUMNS)

"""The one catalogue of channels: unit, sign, plausible limits and maximum age. Everything else reads it from here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Kind = Literal["scalar", "bearing", "signed"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity.

    `kind`: "bearing" is an angle from north in [0, 360), "signed" an angle in [-180, 180) with starboard positive,
    "scalar" everything else. `low` and `high` are the plausible limits: a value outside is set aside with a count,
    never clipped. A value is carried forward for at most `max_age_s`. `group` names the channels that one sentence
    measures together and that are averaged together (apparent wind as a vector).
    """

    name: str
    unit: str
    dimension: str
    kind: Kind
    group: str
    low: float
    high: float
    max_age_s: float
    meaning: str


def _c(
    name: str, unit: str, dimension: str, kind: Kind, group: str, low: float, high: float, age: float, meaning: str
) -> Channel:
    return Channel(name, unit, dimension, kind, group, low, high, age, meaning)


CHANNELS: tuple[Channel, ...] = (
    _c("lat", "deg", "angle", "scalar", "position", -90, 90, 10, "latitude, north positive"),
    _c("lon", "deg", "angle", "scalar", "position", -180, 180, 10, "longitude, east positive"),
    _c("sog", "kn", "speed", "scalar", "ground", 0, 80, 4, "speed over ground"),
    _c("cog", "deg", "angle", "bearing", "ground", 0, 360, 4, "course over ground, true"),
    _c("cog_mag", "deg", "angle", "bearing", "ground", 0, 360, 4, "course over ground, magnetic"),
    _c("bsp", "kn", "speed", "scalar", "water_speed", 0, 70, 4, "speed through the water"),
    _c("hdg_mag", "deg", "angle", "bearing", "heading_mag", 0, 360, 3, "heading, magnetic"),
    _c("hdg_true", "deg", "angle", "bearing", "heading_true", 0, 360, 3, "heading, true"),
    _c("variation", "deg", "angle", "scalar", "variation", -180, 180, 3600, "magnetic variation, east positive"),
    _c("awa", "deg", "angle", "signed", "apparent_wind", -180, 180, 3, "apparent wind angle from the bow"),
    _c("aws", "kn", "speed", "scalar", "apparent_wind", 0, 120, 3, "apparent wind speed"),
    _c("twa", "deg", "angle", "signed", "instrument_wind", -180, 180, 3, "the instruments' own true wind angle"),
    _c("tws", "kn", "speed", "scalar", "instrument_wind", 0, 120, 3, "the instruments' own true wind speed"),
    _c("twd", "deg", "angle", "bearing", "wind_direction", 0, 360, 3, "the instruments' own true wind direction"),
    _c("twd_mag", "deg", "angle", "bearing", "wind_direction", 0, 360, 3, "the same, magnetic"),
    _c("heel", "deg", "angle", "signed", "heel", -90, 90, 4, "heel, positive to starboard"),
    _c("pitch", "deg", "angle", "signed", "pitch", -60, 60, 4, "pitch, bow up positive"),
    _c("rudder", "deg", "angle", "signed", "rudder", -90, 90, 4, "rudder angle, positive turns to starboard"),
    _c("leeway", "deg", "angle", "signed", "leeway", -30, 30, 4, "measured leeway, positive to starboard"),
    _c("depth", "m", "length", "scalar", "depth", 0, 12000, 10, "depth of water below the transducer plus its offset"),
    _c("water_temp", "degC", "temperature", "scalar", "water_temp", -5, 45, 60, "water temperature"),
    _c("air_temp", "degC", "temperature", "scalar", "air_temp", -60, 60, 60, "air temperature"),
    _c("pressure", "hPa", "pressure", "scalar", "pressure", 850, 1100, 60, "air pressure"),
    _c("rate_of_turn", "deg/min", "turn", "scalar", "rate_of_turn", -7200, 7200, 3, "rate of turn, to starboard"),
    _c("log_nm", "nm", "distance", "scalar", "log_distance", 0, 1e7, 60, "distance through the water, in all"),
    _c("vmg", "kn", "speed", "scalar", "vmg", -80, 80, 4, "the instruments' own velocity made good to windward"),
    _c("current_set", "deg", "angle", "bearing", "instrument_current", 0, 360, 60, "the instruments' own current, to"),
    _c("current_drift", "kn", "speed", "scalar", "instrument_current", 0, 20, 60, "the instruments' own current"),
)

BY_NAME: dict[str, Channel] = {c.name: c for c in CHANNELS}
GROUPS: dict[str, tuple[Channel, ...]] = {
    g: tuple(c for c in CHANNELS if c.group == g) for g in dict.fromkeys(c.group for c in CHANNELS)
}


def group_of(channel: str) -> str:
    """The group of a channel; a further transducer is one of its own."""
    return BY_NAME[channel].group if channel in BY_NAME else channel


def in_order_of_groups(found: Iterable[str]) -> list[str]:
    """Groups of the catalogue in its order, further transducers behind."""
    found = set(found)
    return [g for g in GROUPS if g in found] + sorted(found.difference(GROUPS))


# Words of the trade for the groups that one kind of sensor measures, for `[channels.talkers]`; a group's own name, or
# that of a channel, may stand there as well.
SENSOR_WORDS: dict[str, tuple[str, ...]] = {
    "wind": ("apparent_wind", "instrument_wind", "wind_direction"),
    "heading": ("heading_mag", "heading_true", "variation"),
    "speed": ("water_speed",),
    "gps": ("position", "ground"),
}
# A transducer of any other name becomes a further channel, kept and never interpreted.
EXTRA_MAX_AGE_S = 10.0

"""From the headings of a CSV log to channels and units: guesses, to be looked over by a person."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.campaign.settings import CsvColumn
from pipeline.channels import BY_NAME
from pipeline.units import UNITS, unit_named

# Words of a heading -> channel. Common practice, no source.
_HEADINGS: dict[str, str] = {
    **dict.fromkeys(("timestamp", "datetime", "date time", "date and time", "utc", "gmt", "when", "stamp"), "time"),
    **dict.fromkeys(("time utc", "utc time", "gps time", "timestamp utc", "datetime utc", "local time"), "time"),
    "latitude": "lat",
    **dict.fromkeys(("longitude", "long", "lng"), "lon"),
    **dict.fromkeys(("boat speed", "boatspeed", "speed through water", "speed through the water", "stw"), "bsp"),
    **dict.fromkeys(("water speed", "log speed"), "bsp"),
    **dict.fromkeys(("speed over ground", "ground speed", "gps speed"), "sog"),
    **dict.fromkeys(("course over ground", "ground course", "gps course"), "cog"),
    **dict.fromkeys(("heading", "hdg", "compass", "compass heading", "hdm"), "hdg_mag"),
    **dict.fromkeys(("heading magnetic", "magnetic heading", "mag heading", "heading mag"), "hdg_mag"),
    **dict.fromkeys(("heading true", "true heading", "hdt"), "hdg_true"),
    **dict.fromkeys(("apparent wind angle", "app wind angle", "relative wind angle", "wind angle"), "awa"),
    **dict.fromkeys(("apparent wind speed", "app wind speed", "relative wind speed", "wind speed"), "aws"),
    "true wind angle": "twa",
    "true wind speed": "tws",
    "true wind direction": "twd",
    **dict.fromkeys(("heel angle", "roll", "roll angle"), "heel"),
    **dict.fromkeys(("trim", "pitch angle"), "pitch"),
    "rudder angle": "rudder",
    "leeway angle": "leeway",
    **dict.fromkeys(("rate of turn", "rot"), "rate_of_turn"),
    **dict.fromkeys(("water temperature", "water temp", "sea temperature", "sea temp"), "water_temp"),
    **dict.fromkeys(("air temperature", "air temp"), "air_temp"),
    **dict.fromkeys(("baro", "barometer", "air pressure"), "pressure"),
    "time": "time",
} | {name: name for name in BY_NAME}
# Words that mean a channel only together with what their unit measures: `log m/s`, `wind (deg)`.
_BY_DIMENSION: dict[tuple[str, str], str] = {
    ("log", "speed"): "bsp",
    ("boat", "speed"): "bsp",
    ("water", "speed"): "bsp",
    ("gps", "speed"): "sog",
    ("wind", "speed"): "aws",
    ("wind", "angle"): "awa",
    ("apparent wind", "speed"): "aws",
    ("apparent wind", "angle"): "awa",
    ("true wind", "speed"): "tws",
    ("true wind", "angle"): "twa",
    ("water", "temperature"): "water_temp",
    ("sea", "temperature"): "water_temp",
    ("air", "temperature"): "air_temp",
}


def guessed_columns(headings: Sequence[str], units: Sequence[str] = ()) -> tuple[CsvColumn, ...]:
    """Channels guessed from the headings, each channel and each heading once, with units where they are told.

    `units` are the cells of a row of units below the headings, empty where there is none.
    """
    columns: dict[str, CsvColumn] = {}
    for i, heading in enumerate(headings):
        channel, unit = guess(heading, units[i] if i < len(units) else "")
        if channel is not None and all(c.column != heading for c in columns.values()):
            columns.setdefault(channel, CsvColumn(channel, heading, unit))
    return tuple(columns.values())


def guess(heading: str, unit_cell: str = "") -> tuple[str | None, str | None]:
    """Channel and unit of a heading such as `Boat speed (m/s)`, `log m/s` or `aws_kn`; None for what is not told."""
    found = re.fullmatch(r"(.*?)\s*(?:[\[({]([^\])}]*)[\])}])?\s*", heading, re.DOTALL)
    text, bracket = (found[1], found[2] or "") if found else (heading, "")
    words = " ".join(re.sub(r"[_\-.]+", " ", text).casefold().split())
    unit = unit_named(unit_cell) or unit_named(bracket)
    channel = _named(words, unit)
    rest, _, last = words.rpartition(" ")
    if channel is None and rest and (behind := unit_named(last)) is not None:
        unit = unit or behind
        channel = _named(rest, unit)
    fits = channel in BY_NAME and unit is not None and UNITS[unit][0] == BY_NAME[channel].dimension
    return channel, unit if fits else None


def _named(words: str, unit: str | None) -> str | None:
    channel = _HEADINGS.get(words) or _HEADINGS.get(words.replace(" ", "_"))
    return channel or (_BY_DIMENSION.get((words, UNITS[unit][0])) if unit is not None else None)

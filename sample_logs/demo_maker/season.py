"""The season put together: days sailed, logged and written to files under `logs/`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from demo_maker.instruments import measure
from demo_maker.log_writers import csv_lines, damage, nmea_lines, packed
from demo_maker.sailing import Track, sail_day, seconds_of
from demo_maker.season_plan import DAYS, HULL_CLEANED_DATE, Day
from demo_maker.weather import Weather, weather_of

FOULING_PER_DAY = -0.00035  # of speed
CLEAN = 0.012  # what the divers bring back at most


@dataclass(frozen=True)
class Sailed:
    """One day as it was: files by name, what was true, and the numbers of lines that were damaged."""

    files: dict[str, bytes]
    track: Track
    weather: Weather
    damaged: list[tuple[str, int]]


def hull_share(day: Day) -> float:
    """Fouling of the hull as a share of speed."""
    this, first, cleaned = (date.fromisoformat(d) for d in (day.date, DAYS[0].date, HULL_CLEANED_DATE))
    since = (this - (cleaned if this > cleaned else first)).days
    return FOULING_PER_DAY * (since if this > cleaned else since + (CLEAN / -FOULING_PER_DAY) * 0.4)


def weather_on(day: Day) -> Weather:
    """The day's weather with its factors centred, the season's mean day being the ordinary day."""
    up, down = _season_means()
    weather = weather_of(day, seconds_of(day), hull_share(day))
    return replace(weather, factor_up=weather.factor_up - up, factor_down=weather.factor_down - down)


_MEANS: list[tuple[float, float]] = []


def _season_means() -> tuple[float, float]:
    if not _MEANS:
        all_days = [weather_of(d, seconds_of(d), hull_share(d)) for d in DAYS]
        ups, downs = [w.factor_up.mean() for w in all_days], [w.factor_down.mean() for w in all_days]
        _MEANS.append((float(np.mean(ups)) - 1.0, float(np.mean(downs)) - 1.0))
    return _MEANS[0]


def sail(day: Day) -> Sailed:
    """Sails and logs one day."""
    weather = weather_on(day)
    track = sail_day(day, weather)
    readings = measure(day, weather, track)
    files: dict[str, bytes] = {}
    damaged: list[tuple[str, int]] = []
    for name, seconds in file_names(day):
        if ".csv" in name:
            lines = csv_lines(day, readings, seconds)
        else:
            lines, hurt = damage(day, nmea_lines(day, readings, seconds))
            damaged += [(name, line) for line in hurt]
        files[name] = packed(lines, name)
    return Sailed(files, track, weather, damaged)


def file_names(day: Day) -> list[tuple[str, range]]:
    """The day's files, relative to `logs/`, and the seconds each holds; a break parts two files."""
    n, month = seconds_of(day), day.date[:7]
    end = {"csv": ".csv", "csv.gz": ".csv.gz", "nmea": ".nmea"}.get(day.style, ".nmea.gz")
    if day.break_min is None:
        return [(f"{month}/{day.date}{end}", range(n))]
    off, length = (int(m * 60) for m in day.break_min)
    return [(f"{month}/{day.date}a{end}", range(off)), (f"{month}/{day.date}b{end}", range(off + length, n))]

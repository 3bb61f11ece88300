"""Dates for logs: those without one get it from `start_date`; those of a faulty receiver are judged by the season."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import polars as pl

from pipeline.campaign.campaign import Campaign
from pipeline.ingest.clock import DAY, EPOCH
from pipeline.ingest.log_files import plain_name
from pipeline.ingest.readings import DecodedLog, Readings, chunks_of

# Receivers count weeks in 10 bits: a faulty one is off by multiples of 1,024 weeks (gps.gov, GPS week number rollover).
ROLLOVER = timedelta(weeks=1024)


def season_as_written(campaign: Campaign) -> tuple[date, date] | None:
    """First and last date of what people wrote beside the logs, `start_date` included; None where nothing is dated."""
    moments: list[date] = []
    for frame, columns in (
        (campaign.sail_log, ("time",)),
        (campaign.races, ("start", "finish")),
        (campaign.exclude, ("start", "finish")),
        (campaign.settings_log, ("time",)),
    ):
        for column in columns if frame is not None else ():
            times = frame[column].drop_nulls() if frame is not None else pl.Series(dtype=pl.Datetime("us"))
            moments += [_day(t) for t in (times.min(), times.max()) if isinstance(t, datetime)]
    start = campaign.boat.instruments.start_date
    moments += list(start.values()) if isinstance(start, Mapping) else [start] if start is not None else []
    return (min(moments), max(moments)) if moments else None


def season_of_logs(days: Sequence[date]) -> tuple[date, date] | None:
    """First and last day of the largest part of the logs whose dates hang together (within half a rollover)."""
    if not days:
        return None
    ordered = sorted(days)
    groups = [[d for d in ordered if abs(d - centre) < ROLLOVER / 2] for centre in ordered]
    best = max(groups, key=lambda g: (len(g), g[-1]))  # as many on both sides: a receiver's date never runs ahead
    return best[0], best[-1]


def is_off(day: date, season: tuple[date, date]) -> bool:
    """Whether a date lies so far from the season that a receiver 1,024 weeks off is the likelier reading."""
    middle = season[0] + (season[1] - season[0]) / 2
    return abs(day - middle) > ROLLOVER / 2


def assign(names: Sequence[str], start: date | Mapping[str, date] | None) -> dict[str, date | None]:
    """A date for each log without one (names in order): `start`, a day more for each; or as the mapping says by name.

    None where `start` says nothing for that log. A mapping may name the whole path within `logs`, the file's own name,
    or either without `.gz`.
    """
    if isinstance(start, Mapping):
        return {name: _of_mapping(name, start) for name in names}
    return {name: None if start is None else start + timedelta(days=i) for i, name in enumerate(names)}


def _of_mapping(name: str, dates: Mapping[str, date]) -> date | None:
    last = name.rpartition("/")[2]
    return next((dates[n] for n in (name, last, plain_name(name), plain_name(last)) if n in dates), None)


def dated(log: DecodedLog, first_date: date) -> DecodedLog:
    """A log of bare times of day in UTC, its day 1970-01-01 become `first_date`."""
    shift_us = (first_date - EPOCH.date()).days * DAY
    readings = Readings(chunks_of(log.readings).shifted(shift_us))
    return replace(log, readings=readings)


def _day(moment: datetime) -> date:
    return moment.date()

"""The time line of each session: sets up, steady windows, time set aside, wind and speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.reporting.records.season import with_sessions

# Points of wind and speed drawn for one session; more windows are averaged in equal parts of the time.
MOST_POINTS = 160


@dataclass(frozen=True, slots=True)
class Stretch:
    """One segment of the tagged time line."""

    start: datetime
    end: datetime
    sail_set: str
    source: str | None
    quality: str | None


@dataclass(frozen=True, slots=True)
class Reading:
    """Mean wind and speed of the steady windows in one part of the time."""

    time: datetime
    tws_kn: float
    bsp_kn: float


@dataclass(frozen=True, slots=True)
class SessionLine:
    """One session on the page."""

    number: int
    start: datetime
    end: datetime
    stretches: tuple[Stretch, ...]
    readings: tuple[Reading, ...]
    steady: tuple[tuple[datetime, datetime], ...]
    aside: tuple[tuple[datetime, datetime, str], ...]
    windows: int


def time_lines(tables: Mapping[str, pl.DataFrame]) -> tuple[SessionLine, ...]:
    """One line for each session, in time order."""
    segments = with_sessions(tables["segments"])
    lines = []
    for (number,), part in segments.group_by("pause_session", maintain_order=True):
        start, end = part["start"].min(), part["end"].max()
        if isinstance(start, datetime) and isinstance(end, datetime) and end > start:
            lines.append(_line(int(number), start, end, part, tables))
    return tuple(lines)


def _line(
    number: int, start: datetime, end: datetime, segments: pl.DataFrame, tables: Mapping[str, pl.DataFrame]
) -> SessionLine:
    inside = (pl.col("start") >= start) & (pl.col("start") < end)
    windows = tables["windows"].filter(inside).sort("start")
    aside = tables["set_aside"].filter(inside).sort("start", "end")
    return SessionLine(
        number=number,
        start=start,
        end=end,
        stretches=tuple(
            Stretch(r["start"], r["end"], r["sail_set"], r["source"], r["quality"])
            for r in segments.iter_rows(named=True)
        ),
        readings=_readings(windows, start, end),
        steady=tuple(_joined(windows)),
        aside=tuple((r["start"], r["end"], r["reason"]) for r in aside.iter_rows(named=True)),
        windows=windows.height,
    )


def _readings(windows: pl.DataFrame, start: datetime, end: datetime) -> tuple[Reading, ...]:
    part_us = max(1, round((end - start).total_seconds() * 1e6 / MOST_POINTS))
    middle = pl.col("start") + (pl.col("end") - pl.col("start")) / 2
    parts = (
        windows.with_columns(middle.alias("time"))
        .with_columns(((pl.col("time") - start).dt.total_microseconds() // part_us).alias("part"))
        .group_by("part")
        .agg(pl.col("time").mean(), pl.col("tws_kn").mean(), pl.col("bsp_kn").mean())
        .sort("part")
    )
    return tuple(Reading(r["time"], r["tws_kn"], r["bsp_kn"]) for r in parts.iter_rows(named=True))


def _joined(windows: pl.DataFrame) -> list[tuple[datetime, datetime]]:
    """Windows that touch become one stretch."""
    out: list[tuple[datetime, datetime]] = []
    for row in windows.iter_rows(named=True):
        if out and row["start"] <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], row["end"]))
        else:
            out.append((row["start"], row["end"]))
    return out

"""What was sailed: sessions, hours under each sail set, steady windows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.reporting.records.frames import window_minutes

# Segments run without gaps inside a session and sessions lie at least 10 min apart (formats of the project), so any
# pause between the two parts sessions.
SESSION_PAUSE = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class SetHours:
    """One sail set over the season: minutes tagged, sessions, kept windows and their minutes, winds they span."""

    sail_set: str
    minutes: float
    sessions: int
    windows: int
    steady_minutes: float
    tws_low_kn: float | None
    tws_high_kn: float | None


@dataclass(frozen=True, slots=True)
class Season:
    """The season in figures. `days` are dates (UTC) with a kept window; `first`, `last` are None without any time."""

    first: datetime | None
    last: datetime | None
    sessions: int
    minutes: float
    windows: int
    steady_minutes: float
    days: int
    sets: tuple[SetHours, ...]


def with_sessions(segments: pl.DataFrame) -> pl.DataFrame:
    """Segments in time order with `pause_session`, counted from 0, a new one after each pause."""
    ordered = segments.sort("start", "end")
    pause = (pl.col("start") - pl.col("end").shift(1)) > SESSION_PAUSE
    return ordered.with_columns(pause.fill_null(False).cum_sum().cast(pl.Int64).alias("pause_session"))


def season(tables: Mapping[str, pl.DataFrame], order: tuple[str, ...]) -> Season:
    """Summary of `segments` and `windows`; sets in the given order, those never up left out."""
    segments = with_sessions(tables["segments"]).with_columns(window_minutes().alias("minutes"))
    windows = tables["windows"].with_columns(window_minutes().alias("minutes"))
    ends = [t for t in (segments["end"].max(), windows["end"].max()) if isinstance(t, datetime)]
    starts = [t for t in (segments["start"].min(), windows["start"].min()) if isinstance(t, datetime)]
    names = [n for n in order if n in set(segments["sail_set"]) | set(windows["sail_set"])]
    return Season(
        first=min(starts) if starts else None,
        last=max(ends) if ends else None,
        sessions=segments["pause_session"].n_unique() if segments.height else windows["session"].n_unique(),
        minutes=_total(segments),
        windows=windows.height,
        steady_minutes=_total(windows),
        days=windows["start"].dt.date().n_unique(),
        sets=tuple(_hours(n, segments, windows) for n in names),
    )


def _hours(name: str, segments: pl.DataFrame, windows: pl.DataFrame) -> SetHours:
    up = segments.filter(pl.col("sail_set") == name)
    kept = windows.filter(pl.col("sail_set") == name)
    low, high = kept["tws_kn"].min(), kept["tws_kn"].max()
    return SetHours(
        sail_set=name,
        minutes=_total(up),
        sessions=up["pause_session"].n_unique(),
        windows=kept.height,
        steady_minutes=_total(kept),
        tws_low_kn=float(low) if isinstance(low, float) else None,
        tws_high_kn=float(high) if isinstance(high, float) else None,
    )


def _total(frame: pl.DataFrame) -> float:
    return float(frame["minutes"].sum() or 0.0)

"""The windows a fit can use, as arrays: sorted, cleaned, numbered by sailing day, session and set."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.campaign.settings import BARE, UNKNOWN, UNLOGGED
from pipeline.surfaces.coordinates import Floats, Ints

# A new sailing day begins after a pause as long as this; nights ashore are longer, lunch breaks shorter.
DAY_BREAK_H = 5.0
# A block of windows whose covariance is held at once. A day of 45 s windows is far shorter; a passage is cut.
BLOCK_WINDOWS = 400
# Slower than this the log speed says more about drifting than about sails.
SLOWEST_KN = 0.3
# Rising wind beyond this is a squall or an error, held here.
TREND_LIMIT_KN_MIN = 1.0
# Share of the wind beyond which its standard deviation within a window is an error.
GUSTIEST = 0.25


@dataclass(frozen=True, slots=True)
class Observations:
    """Windows in order of time. `y`: log of boat speed in knots; `hours` since the first; `block` numbers the days;
    `tws_sd_kn`: of the wind within each window.
    """

    y: Floats
    tws_kn: Floats
    twa_deg: Floats
    hours: Floats
    minutes: Floats
    session: Ints
    block: Ints
    set_number: Ints
    sets: tuple[str, ...]
    starts: tuple[datetime, ...]
    trend_kn_min: Floats
    heel_to_leeward_deg: Floats
    tws_sd_kn: Floats

    @property
    def count(self) -> int:
        """Number of windows."""
        return len(self.y)


def usable(windows: pl.DataFrame) -> pl.DataFrame:
    """Windows with a set, a finite wind and a speed, in an order that does not depend on the rows' order."""
    needed = ("start", "end", "sail_set", "tws_kn", "twa_deg", "bsp_kn")
    missing = [c for c in needed if c not in windows.columns]
    if missing:
        raise ValueError(f"windows lack columns {missing}")
    numbers = [pl.col(c).cast(pl.Float64, strict=False) for c in ("tws_kn", "twa_deg", "bsp_kn")]
    kept = (
        windows.with_columns(numbers)
        .filter(
            pl.col("sail_set").is_not_null()
            & ~pl.col("sail_set").is_in([UNKNOWN, BARE])
            & pl.col("start").is_not_null()
            & pl.col("tws_kn").is_finite()
            & pl.col("twa_deg").is_finite()
            & pl.col("bsp_kn").is_finite()
            & (pl.col("bsp_kn") > SLOWEST_KN)
            & (pl.col("tws_kn") > 0.0)
        )
        .sort("start", "sail_set", "twa_deg", "tws_kn", "bsp_kn")
    )
    # Time before a sail log begins is a mixture of sets: it stands for a set only where nothing better is known.
    logged = kept.filter(pl.col("sail_set") != UNLOGGED)
    return logged if logged.height else kept


def observe(windows: pl.DataFrame) -> Observations:
    """Arrays of the usable windows; may be empty."""
    w = usable(windows)
    hours = w["start"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy() / 3.6e9
    hours = hours - (hours[0] if len(hours) else 0.0)
    length = (w["end"].cast(pl.Datetime("us")) - w["start"].cast(pl.Datetime("us"))).dt.total_microseconds()
    minutes = length.cast(pl.Float64).fill_null(0.0).to_numpy() / 6e7
    sets = tuple(sorted(w["sail_set"].unique().to_list()))
    number = {name: k for k, name in enumerate(sets)}
    session = (
        w["session"].fill_null(-1).cast(pl.Int64).to_numpy() if "session" in w.columns else np.zeros(w.height, int)
    )
    trend = np.zeros(w.height)
    if "tws_trend_kn_min" in w.columns:
        trend = w["tws_trend_kn_min"].cast(pl.Float64, strict=False).to_numpy().astype(float)
        trend = np.clip(np.nan_to_num(trend, nan=0.0), -TREND_LIMIT_KN_MIN, TREND_LIMIT_KN_MIN)
    return Observations(
        y=np.log(w["bsp_kn"].to_numpy()),
        tws_kn=w["tws_kn"].to_numpy().astype(float),
        twa_deg=w["twa_deg"].to_numpy().astype(float),
        hours=hours,
        minutes=minutes,
        session=session,
        block=number_blocks(hours),
        set_number=np.array([number[s] for s in w["sail_set"].to_list()], dtype=np.int64),
        sets=sets,
        starts=tuple(w["start"].to_list()),
        trend_kn_min=trend,
        heel_to_leeward_deg=_heel_to_leeward(w),
        tws_sd_kn=_tws_sd(w),
    )


def _heel_to_leeward(w: pl.DataFrame) -> Floats:
    """Heel away from the wind in degrees, NaN where no heel was logged."""
    if "heel_deg" not in w.columns:
        return np.full(w.height, np.nan)
    heel = w["heel_deg"].cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy()
    return -np.sign(w["twa_deg"].to_numpy()) * heel


def _tws_sd(w: pl.DataFrame) -> Floats:
    """Standard deviation of the wind within each window in knots; 0 where unknown, at most `GUSTIEST` of the wind."""
    if "tws_sd_kn" not in w.columns:
        return np.zeros(w.height)
    sd = w["tws_sd_kn"].cast(pl.Float64, strict=False).fill_null(0.0).to_numpy()
    return np.clip(np.nan_to_num(sd, nan=0.0), 0.0, GUSTIEST * w["tws_kn"].to_numpy())


def number_blocks(hours: Floats) -> Ints:
    """Number of the sailing day of each window (ascending times), days of more than `BLOCK_WINDOWS` cut evenly."""
    if len(hours) == 0:
        return np.zeros(0, dtype=np.int64)
    day = np.concatenate([[0], np.cumsum(np.diff(hours) > DAY_BREAK_H)])
    out = np.zeros(len(hours), dtype=np.int64)
    at = 0
    for d in range(day[-1] + 1):
        rows = np.flatnonzero(day == d)
        pieces = int(np.ceil(len(rows) / BLOCK_WINDOWS))
        out[rows] = at + (np.arange(len(rows)) * pieces) // len(rows)
        at += pieces
    return out

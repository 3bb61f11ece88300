"""A simulated boat whose speed follows a known surface through a first-order lag; all of it invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.signal import lfilter

from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.wind.triangle import apparent_from_true

START = datetime(2027, 6, 12, 10)


def true_speed(tws: np.ndarray, twa: np.ndarray) -> np.ndarray:
    """The surface that the simulated boat sails on."""
    a = np.abs(twa)
    drive = (
        0.9
        * tws
        * (0.25 + 0.75 * np.sin(np.radians(0.85 * a)) ** 1.2)
        * (1 - np.exp(-((np.maximum(a - 12, 0) / 22) ** 2)))
    )
    top = 9.5 * (1.0 + 0.25 * np.exp(-(((a - 115) / 35) ** 2)))
    return drive / (1 + (drive / top) ** 3) ** (1 / 3)


@dataclass(frozen=True)
class Leg:
    """So many minutes at an angle to the mean wind."""

    minutes: float
    twa_deg: float


def sail(
    legs: list[Leg],
    *,
    seed: int = 1,
    hz: float = 1.0,
    lag_s: float = 19.0,
    tws_kn: float = 12.0,
    turbulence: float = 1.0,
    noise: float = 1.0,
    start: datetime = START,
) -> pl.DataFrame:
    """Samples of a session: raw channels as a log would hold them, and the truth in columns `true_*`."""
    rng = np.random.default_rng(seed)
    dt_s = 1.0 / hz
    target = np.repeat([leg.twa_deg for leg in legs], [round(leg.minutes * 60 * hz) for leg in legs])
    n = len(target)
    t = np.arange(n) * dt_s
    tws = tws_kn * (1 + turbulence * (_wander(rng, n, dt_s, 900, 0.08) + _wander(rng, n, dt_s, 90, 0.05)))
    tws = np.maximum(tws * (1 + turbulence * _wander(rng, n, dt_s, 8, 0.03)), 1.5)
    twd = 210.0 + turbulence * (_wander(rng, n, dt_s, 1500, 5) + _wander(rng, n, dt_s, 90, 2.5))
    hdg = np.empty(n)
    now = twd[0] - target[0]
    for i in range(n):
        turn = (twd[i] - target[i] - now + 180.0) % 360.0 - 180.0
        now += np.clip(0.1 * turn * dt_s, -5.0 * dt_s, 5.0 * dt_s)
        hdg[i] = now
    hdg = hdg + turbulence * _wander(rng, n, dt_s, 6, 1.2)
    twa = (twd - hdg + 180.0) % 360.0 - 180.0
    keep = np.exp(-dt_s / lag_s)
    aim = true_speed(tws, twa)
    bsp = lfilter([1 - keep], [1, -keep], aim, zi=[keep * aim[0]])[0]
    awa, aws = apparent_from_true(twa, tws, bsp)
    awa = (awa + noise * rng.normal(0, 1.5, n) + 180.0) % 360.0 - 180.0
    times = [start + timedelta(seconds=float(s)) for s in t]
    return pl.DataFrame(
        {
            "time": pl.Series(times, dtype=pl.Datetime("us")),
            "awa": awa,
            "aws": np.maximum(aws + noise * rng.normal(0, 0.3, n), 0.1),
            "bsp": np.maximum(bsp + noise * rng.normal(0, 0.08, n), 0.0),
            "hdg_true": hdg % 360.0,
            "true_tws": tws,
            "true_twa": twa,
        }
    )


def _wander(rng: np.random.Generator, n: int, dt_s: float, memory_s: float, sd: float) -> np.ndarray:
    keep = np.exp(-dt_s / memory_s)
    steps = rng.normal(0, sd * np.sqrt(1 - keep * keep), n)
    steps[0] = rng.normal(0, sd)
    return lfilter([1.0], [1.0, -keep], steps)


@pytest.fixture
def simulate() -> Callable[..., pl.DataFrame]:
    return lambda legs, **options: sail([Leg(*leg) for leg in legs], **options)


@pytest.fixture
def surface() -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    return true_speed


@pytest.fixture
def boat() -> Boat:
    plain = Calibration(boat=Corrections(leeway_coefficient=0.0))
    return Boat("Invented", 16.0, Instruments(10.0, 10.0, 0.0), calibration=plain)


@pytest.fixture
def frames() -> Callable[[pl.DataFrame], tuple[pl.DataFrame, pl.DataFrame]]:
    """Segments (one set, one a session) and sessions of samples."""

    def make(samples: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        gap = (pl.col("time").diff() >= timedelta(minutes=10)).fill_null(True).cum_sum()
        grouped = samples.group_by(gap.alias("session"), maintain_order=True)
        sessions = grouped.agg(start=pl.col("time").min(), end=pl.col("time").max())
        sessions = sessions.with_columns(pl.col("session").cast(pl.Int64))
        segments = sessions.select(
            "start",
            "end",
            sail_set=pl.lit("J1"),
            source=pl.lit("sail log"),
            quality=pl.lit("logged"),
            reason=pl.lit(""),
        )
        return segments, sessions

    return make

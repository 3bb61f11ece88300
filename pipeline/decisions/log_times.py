"""How far the sail log's times may be from the moment at which the other set began to draw."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats

# Steps in which crews write times, coarsest first, and the share of entries that must fall on one.
STEPS_S = (300, 60, 30, 15, 10, 5, 1)
SHARE_ON_STEP = 0.9
LEAST_ENTRIES = 8
UNKNOWN_STEP_S = 60.0
# Common practice, no source: entries are written after the event rather than before it, a change takes a while, and
# one in twenty is written when somebody finds the time.
LATE_S, SPREAD_S = 4.0, 5.0
FORGOTTEN_SHARE, FORGOTTEN_S = 0.05, (30.0, 120.0)


def log_step_s(sail_log: pl.DataFrame | None) -> float:
    """Seconds to which the times of the sail log are rounded: the coarsest step that nearly all entries fall on."""
    if sail_log is None or sail_log.height < LEAST_ENTRIES:
        return UNKNOWN_STEP_S
    second = sail_log["time"].drop_nulls().unique().cast(pl.Datetime("us")).to_physical().to_numpy() // 1_000_000
    if len(second) < LEAST_ENTRIES:
        return UNKNOWN_STEP_S
    return float(next((s for s in STEPS_S if (second % s == 0).mean() >= SHARE_ON_STEP), 1))


def delays_s(draws: int, changes: int, step_s: float, seed: int) -> Floats:
    """Draws of how many seconds each change was logged after it happened, (draws, changes); negative: before."""
    rng = np.random.default_rng(seed)
    shape = (draws, changes)
    rounded = rng.uniform(-0.5 * step_s, 0.5 * step_s, shape)
    usual = rounded + rng.exponential(max(LATE_S, 0.25 * step_s), shape) + SPREAD_S * rng.standard_normal(shape)
    forgotten = rng.random(shape) < FORGOTTEN_SHARE
    return np.where(forgotten, usual + rng.uniform(*FORGOTTEN_S, shape), usual)

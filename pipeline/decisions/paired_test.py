"""Half an hour of one set against another: how it is sailed, and how well it tells their speeds apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import linalg

from pipeline.angles import Floats
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.day_blocks import Weights, covariance, day_block

HALF_HOUR_MIN = 30.0
# A, then B for twice as long, then A again: two changes of sails, and a steady drift of the day cancels. Each half of
# it is sailed on the other tack.
TURNS = ((0, 7.5), (1, 15.0), (0, 7.5))
# About a change, as the windows have it at the least.
LOST_BEFORE_MIN, LOST_AFTER_MIN = 1.0, 1.5
TYPICAL_WINDOW_MIN, TYPICAL_KEPT = 0.75, 0.6


@dataclass(frozen=True, slots=True)
class Habits:
    """Length of a steady window in minutes, and the share of the time about which a season's windows are kept."""

    window_min: float = TYPICAL_WINDOW_MIN
    kept: float = TYPICAL_KEPT


def habits_of(windows: pl.DataFrame, sailed_min: float) -> Habits:
    """From a season's windows and the minutes sailed; typical ones where it has none."""
    if windows.height == 0 or sailed_min <= 0:
        return Habits()
    length = (windows["end"] - windows["start"]).dt.total_microseconds().to_numpy() / 6e7
    return Habits(float(np.median(length)), float(np.clip(length.sum() / sailed_min, 0.1, 0.9)))


def paired_variance(noise: Mapping[str, float], twa_deg: float, habits: Habits) -> float:
    """Variance of the difference of two sets' log speeds as half an hour of turns tells it, at the fit's own noise.

    Generalised least squares on the windows of one half hour, with the day's effect, drift, sets' days, stretches, tack
    and neighbours' noise of `noise` (parameters of the fit by name).
    """
    minute, label, side = schedule(habits)
    n = len(minute)
    stretch = np.unique(np.column_stack([label, side]), axis=0, return_inverse=True)[1].astype(np.int64)
    rows = np.arange(n)
    block = day_block(rows, minute / 60.0, np.zeros(n, dtype=np.int64), label, stretch, side * abs(twa_deg))
    ones = np.ones(n)
    v, _ = covariance(block, dict(noise), Weights(ones, ones, np.zeros(n)))
    design = np.column_stack([ones, label.astype(float)])
    solved = linalg.cho_solve(linalg.cho_factor(v, lower=True), design)
    return float(linalg.inv(design.T @ solved)[1, 1])


def schedule(habits: Habits) -> tuple[Floats, Ints, Floats]:
    """Middle (minutes from the start), set (0 or 1) and tack (1 or -1) of each window of the half hour."""
    spacing = habits.window_min / habits.kept
    minute, label = [], []
    begin = 0.0
    for k, (which, length) in enumerate(TURNS):
        first = begin + (LOST_AFTER_MIN if k else 0.0)
        last = begin + length - (LOST_BEFORE_MIN if k < len(TURNS) - 1 else 0.0)
        at = np.arange(first + 0.5 * spacing, last, spacing)
        minute.append(at)
        label.append(np.full(len(at), which))
        begin += length
    minutes = np.concatenate(minute)
    side = np.where(minutes < 0.5 * HALF_HOUR_MIN, 1.0, -1.0)
    return minutes, np.concatenate(label).astype(np.int64), side

"""Where one speed overtakes another along a line, from a mean curve and joint draws of it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from pipeline.angles import Floats

Bools = NDArray[np.bool_]

# Points between two grid nodes at which the continuous interpolant is looked at.
REFINEMENT = 20
# A border's 90 % interval ends where the chance of the challenger being faster passes these.
LOW_CHANCE, HIGH_CHANCE = 0.05, 0.95
# Widest interval of a clear border (formats: under 2 kn or 8 deg).
CLEAR_WIDTH = {"tws_kn": 2.0, "twa_deg": 8.0}


@dataclass(frozen=True, slots=True)
class Crossing:
    """`rising`: the difference grows through zero at `at`; `low`, `high`: None where the data cannot close that side.

    `low_at_end`, `high_at_end`: that side is open because support ends there, at the line's node of that number.
    """

    rising: bool
    at: float
    low: float | None
    high: float | None
    low_at_end: bool
    high_at_end: bool


def runs(flags: Bools) -> list[slice]:
    """Maximal stretches of True, as slices."""
    padded = np.concatenate([[False], flags, [False]]).astype(np.int8)
    starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]


def refine(x: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Cubic interpolant through `values` (..., n) at nodes `x` (n), at `REFINEMENT` points a step; exact for lines."""
    fine = np.concatenate([np.linspace(a, b, REFINEMENT, endpoint=False) for a, b in pairwise(x)] + [x[-1:]])
    return fine, CubicSpline(x, values, axis=-1)(fine)


def roots(x: Floats, y: Floats) -> list[tuple[float, bool]]:
    """Sign changes of a finely sampled curve by linear interpolation, True where it rises; a touch is none."""
    sign = np.sign(y)
    live = np.flatnonzero(sign != 0)
    out = []
    for i, j in pairwise(live):
        if sign[i] != sign[j]:
            out.append((float(x[i] - y[i] * (x[j] - x[i]) / (y[j] - y[i])), bool(sign[j] > 0)))
    return out


def crossings(x: Floats, mean: Floats, draws: Floats) -> list[Crossing]:
    """Every crossing of zero along one supported run of nodes.

    `x` (n >= 2) ascending, `mean` (n), `draws` (m, n): the difference of two log speeds. The interval of a branch is
    where the share of draws in which the challenger leads lies between 5 and 95 %; for a difference that is monotone in
    each draw that is the 90 % interval of the crossing itself. It may not reach past the next branch.
    """
    fine, curve = refine(x, mean)
    found = roots(fine, curve)
    if not found:
        return []
    chance = (refine(x, draws)[1] > 0.0).mean(axis=0)
    places = [fine[0], *(r for r, _ in found), fine[-1]]
    out = []
    for k, (at, rising) in enumerate(found):
        lead = chance if rising else 1.0 - chance
        before = (fine >= places[k]) & (fine <= at)
        after = (fine >= at) & (fine <= places[k + 2])
        low = _leave(fine[before][::-1], lead[before][::-1], LOW_CHANCE, below=True)
        high = _leave(fine[after], lead[after], HIGH_CHANCE, below=False)
        out.append(Crossing(rising, at, low, high, low is None and k == 0, high is None and k == len(found) - 1))
    return out


def _leave(x: Floats, chance: Floats, level: float, *, below: bool) -> float | None:
    """First place along x where the chance has passed the level, by linear interpolation; None where it never does."""
    passed = chance <= level if below else chance >= level
    if not passed.any():
        return None
    k = int(np.argmax(passed))
    if k == 0 or chance[k] == chance[k - 1]:
        return float(x[k])
    share = (level - chance[k - 1]) / (chance[k] - chance[k - 1])
    return float(x[k - 1] + np.clip(share, 0.0, 1.0) * (x[k] - x[k - 1]))


def verdict_of(
    found: Crossing, along: str, supported_below: tuple[bool, bool], supported_above: tuple[bool, bool]
) -> str:
    """`clear`, `one-sided` (support of one of the two ends on an open side) or `close`."""
    if found.low is not None and found.high is not None:
        return "clear" if found.high - found.low < CLEAR_WIDTH[along] else "close"
    ends = (found.low_at_end and sum(supported_below) == 1) or (found.high_at_end and sum(supported_above) == 1)
    return "one-sided" if ends else "close"

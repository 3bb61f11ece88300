"""Runs and stretches of samples: where a log goes on without a break, and how long a state lasts."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import Floats

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
FloatsOrComplex = TypeVar("FloatsOrComplex", NDArray[np.float64], NDArray[np.complex128])

# A session of the time line ends at such a gap.
SESSION_GAP_S = 600.0


def stretch_numbers(time_s: Floats, longest_gap_s: float = SESSION_GAP_S) -> Ints:
    """Number of the stretch of each sample, from 0; a new one begins after a gap longer than `longest_gap_s`."""
    if len(time_s) == 0:
        return np.zeros(0, dtype=np.int64)
    return np.concatenate(([0], np.cumsum(np.diff(time_s) > longest_gap_s))).astype(np.int64)


def runs(state: Flags, group: Ints | None = None) -> tuple[Ints, Ints]:
    """First and one-past-last index of every run of true values; a run does not reach over a change of `group`."""
    n = len(state)
    if n == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    edge = np.zeros(n + 1, dtype=bool)
    edge[0] = edge[n] = True
    edge[1:n] = state[1:] != state[:-1]
    if group is not None:
        edge[1:n] |= group[1:] != group[:-1]
    bounds = np.flatnonzero(edge)
    on = state[bounds[:-1]]
    return bounds[:-1][on], bounds[1:][on]


def lasting(state: Flags, time_s: Floats, at_least_s: float, group: Ints | None = None) -> Flags:
    """`state` only where it lasts: runs from first to last sample shorter than `at_least_s` become false."""
    out = np.zeros(len(state), dtype=bool)
    first, end = runs(state, group)
    for a, b in zip(first, end, strict=True):
        if time_s[b - 1] - time_s[a] >= at_least_s:
            out[a:b] = True
    return out


def cumulated(x: FloatsOrComplex) -> FloatsOrComplex:
    """Sums of the first 0, 1, 2 ... values, one more than there are. Complex ones take no longer than real ones."""
    out = np.empty(len(x) + 1, dtype=x.dtype)
    out[0] = 0.0
    np.cumsum(x, out=out[1:])
    return out


def counted(state: Flags) -> Ints:
    """How many of the first 0, 1, 2 ... flags are set."""
    out = np.zeros(len(state) + 1, dtype=np.int64)
    np.cumsum(state, out=out[1:])
    return out

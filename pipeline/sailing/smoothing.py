"""Moving averages along a track, by stretch, missing values passed over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.angles import Floats, half_turn, unit_vectors
from pipeline.sailing.stretches import Flags, Ints, counted, cumulated, runs


@dataclass(frozen=True, slots=True)
class Summed:
    """Running sums of a channel with what is missing left out, and of how many are known (None: all are)."""

    total: Floats | NDArray[np.complex128]
    known: Ints | None

    @classmethod
    def of(cls, values: Floats | NDArray[np.complex128]) -> Summed:
        """Of values along a track."""
        known = np.isfinite(values)
        if known.all():
            return cls(cumulated(values), None)
        return cls(cumulated(np.where(known, values, 0.0)), counted(known))

    def mean(self, a: Ints, b: Ints) -> Floats:
        """Means over the index ranges [a, b); NaN where less than half is known."""
        return self._shared(a, b, self.total[b] - self.total[a])[0]

    def components(self, a: Ints, b: Ints) -> tuple[Floats, Floats]:
        """The same of vectors: the real and the imaginary part of their means."""
        total = self.total[b] - self.total[a]
        real, imaginary = self._shared(a, b, total.real, total.imag)
        return real, imaginary

    def direction(self, a: Ints, b: Ints) -> Floats:
        """The same of unit vectors: the direction of their mean, in [-180, 180)."""
        real, imaginary = self.components(a, b)
        return half_turn(imaginary, real)

    def _shared(self, a: Ints, b: Ints, *totals: Floats) -> list[Floats]:
        size = b - a
        if self.known is None:
            return [total / size for total in totals]
        seen = self.known[b] - self.known[a]
        return [np.where(2 * seen >= size, total / np.maximum(seen, 1), np.nan) for total in totals]


def surroundings(count: int, stretch: Ints) -> tuple[Ints, Ints]:
    """Index ranges [a, b) of `count` samples (made odd) around each sample, cut off at the ends of its stretch."""
    half, n = count // 2, len(stretch)
    begins, ends = runs(np.ones(n, dtype=bool), stretch)
    if len(begins) == 1:
        return np.maximum(np.arange(-half, n - half), 0), np.minimum(np.arange(half + 1, n + half + 1), n)
    first, last = np.repeat(begins, ends - begins), np.repeat(ends, ends - begins)
    return np.maximum(np.arange(n) - half, first), np.minimum(np.arange(n) + half + 1, last)


def moving_mean(values: Floats, count: int, stretch: Ints) -> Floats:
    """Centred mean over `count` samples (made odd) within each stretch; NaN where less than half of them are known."""
    if len(values) == 0 or count < 2:
        return values.copy()
    return Summed.of(values).mean(*surroundings(count, stretch))


def moving_angle(angle_deg: Floats, count: int, stretch: Ints) -> Floats:
    """The same for angles: direction of the mean unit vector, in [-180, 180)."""
    unit = unit_vectors(angle_deg)
    if len(unit) == 0 or count < 2:
        return half_turn(unit.imag, unit.real)
    return Summed.of(unit).direction(*surroundings(count, stretch))


class Smoothed:
    """Moving means of channels along one track, each worked out once. What it gives is shared: not to be changed."""

    def __init__(self, stretch: Ints) -> None:
        """`stretch`: number of the unbroken stretch of each sample."""
        self.stretch = stretch
        self._sums: dict[str, Summed] = {}
        self._around: dict[int, tuple[Ints, Ints]] = {}
        self._made: dict[tuple[str, int], Floats] = {}

    def mean(self, name: str, values: Floats, count: int) -> Floats:
        """`moving_mean` of the channel of that name."""
        if self._nothing_to_do(count):
            return values
        return self._once(name, lambda: values, Summed.mean, count)

    def angle(self, name: str, angle_deg: Floats, count: int) -> Floats:
        """`moving_angle` of the channel of that name."""
        if self._nothing_to_do(count):
            return moving_angle(angle_deg, count, self.stretch)
        return self._once(f"direction of {name}", lambda: unit_vectors(angle_deg), Summed.direction, count)

    def _nothing_to_do(self, count: int) -> bool:
        return len(self.stretch) == 0 or count < 2

    def _once(
        self,
        name: str,
        values: Callable[[], Floats | NDArray[np.complex128]],
        smooth: Callable[[Summed, Ints, Ints], Floats],
        count: int,
    ) -> Floats:
        half = count // 2
        if (name, half) not in self._made:
            if name not in self._sums:
                self._sums[name] = Summed.of(values())
            if half not in self._around:
                self._around[half] = surroundings(count, self.stretch)
            self._made[name, half] = smooth(self._sums[name], *self._around[half])
        return self._made[name, half]


def moving_median(values: Floats, count: int) -> Floats:
    """Centred median over `count` samples (made odd); missing values are first bridged from the value before."""
    if not np.isfinite(values).any():
        return values.copy()
    around = pl.Series(_held_and_padded(values, count))
    return around.rolling_median(count // 2 * 2 + 1).to_numpy()[count // 2 * 2 :]


def median_of_known(values: Floats) -> float:
    """Median of a few values, missing ones left out; NaN where all are."""
    known = np.sort(values[np.isfinite(values)])
    n = known.size
    return float(0.5 * (known[(n - 1) // 2] + known[n // 2])) if n else float("nan")


def far_from_median(values: Floats, count: int, least: float, share: float) -> Flags:
    """Where a value is further from its `moving_median` than `least` and than `share` of that median."""
    out = np.zeros(len(values), dtype=bool)
    if not np.isfinite(values).any():
        return out
    half = count // 2
    held = _held_and_padded(values, count)
    # Values that differ by no more than `least` all around are no further from their median: that is nearly all.
    wide = np.flatnonzero(_extreme(held, 2 * half + 1, np.maximum) - _extreme(held, 2 * half + 1, np.minimum) > least)
    middle = np.partition(sliding_window_view(held, 2 * half + 1)[wide], half, axis=1)[:, half]
    out[wide] = np.abs(values[wide] - middle) > np.maximum(least, share * np.abs(middle))
    return out


def _held_and_padded(values: Floats, count: int) -> Floats:
    known = np.isfinite(values)
    if not known.all():
        at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
        values = values[np.where(at >= 0, at, np.flatnonzero(known)[0])]
    return np.pad(values, count // 2, mode="edge")


def _extreme(values: Floats, width: int, of_two: np.ufunc) -> Floats:
    """Largest or smallest of every `width` values in a row, by doubling what is covered."""
    out, covered = values, 1
    while 2 * covered <= width:
        out, covered = of_two(out[:-covered], out[covered:]), 2 * covered
    rest = width - covered
    return np.asarray(of_two(out[:-rest], out[rest:])) if rest else out

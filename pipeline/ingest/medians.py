"""Exact medians of numbers that come in runs, without keeping them all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# So many numbers are kept as they come; more are kept as different numbers and how often each was met.
KEPT_AS_THEY_COME = 1 << 18


class Median:
    """Takes whole numbers run by run and gives their median."""

    def __init__(self) -> None:
        """No numbers yet."""
        self.count = 0
        self._runs: list[NDArray[np.int64]] = []
        self._held = 0
        self._number = np.zeros(0, np.int64)
        self._times = np.zeros(0, np.int64)

    def add(self, numbers: NDArray[np.int64]) -> None:
        """Take in some numbers."""
        self.count += len(numbers)
        self._held += len(numbers)
        self._runs.append(numbers)
        if self._held > KEPT_AS_THEY_COME and len(self._runs) > 1:
            self._gather()

    def _gather(self) -> None:
        new, times = np.unique(np.concatenate(self._runs), return_counts=True)
        number, where = np.unique(np.concatenate([self._number, new]), return_inverse=True)
        counted = np.bincount(where, np.concatenate([self._times, times]), minlength=len(number))
        self._number, self._times = number, counted.astype(np.int64)
        self._runs, self._held = [], 0

    def value(self) -> float:
        """The median of all numbers taken in; there must be one at least."""
        if len(self._runs) == 1 and not len(self._number):
            return float(np.median(self._runs[0]))
        if self._runs:
            self._gather()
        upto = np.cumsum(self._times)
        low, high = np.searchsorted(upto, [(self.count - 1) // 2, self.count // 2], side="right")
        return (float(self._number[low]) + float(self._number[high])) / 2

"""Medians of clustered observations, with intervals that count clusters and not observations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.angles import Floats

# Below these an interval would only pretend to be one.
LEAST_CLUSTERS, LEAST_VALUES = 3, 5


@dataclass(frozen=True, slots=True)
class ClusteredMedian:
    """A median; `share_sd` is the standard deviation of the share of values below it, NaN where clusters are too few.

    `effective_n` is the number of independent values whose median would be known as well, NaN likewise.
    """

    values: Floats
    median: float
    share_sd: float
    freedom: int

    @property
    def told(self) -> bool:
        """Whether there are enough clusters for an interval."""
        return bool(np.isfinite(self.share_sd))

    @property
    def effective_n(self) -> float:
        """Independent values with the same doubt."""
        return 0.25 / self.share_sd**2

    def interval(self, level: float = 0.90) -> tuple[float | None, float | None]:
        """Ends of the central interval of that level; None where the values do not reach so far."""
        if not self.told:
            return None, None
        reach = float(stats.t.ppf(0.5 + level / 2.0, self.freedom)) * self.share_sd
        low = float(np.quantile(self.values, 0.5 - reach)) if reach < 0.5 else None
        high = float(np.quantile(self.values, 0.5 + reach)) if reach < 0.5 else None
        return low, high


def clustered_median(values: Floats, cluster: NDArray[np.int64]) -> ClusteredMedian:
    """Median of `values` (n >= 1) whose neighbours in one cluster (n) resemble each other.

    The interval inverts the distribution function: the doubt of the share of values below the median is counted between
    clusters with Student's t, never less than that of independent values, and read off the values' own quantiles.
    Source: Woodruff 1952, J. Am. Stat. Assoc. 47, 635-646 (from memory).
    """
    n = len(values)
    middle = float(np.median(values))
    _, number = np.unique(cluster, return_inverse=True)
    clusters = int(number.max()) + 1
    if clusters < LEAST_CLUSTERS or n < LEAST_VALUES:
        return ClusteredMedian(values, middle, float("nan"), 0)
    below = (values < middle) + 0.5 * (values == middle) - 0.5
    sums = np.bincount(number, weights=below)
    between = clusters / (clusters - 1) * float(sums @ sums) / n**2
    return ClusteredMedian(values, middle, float(np.sqrt(max(between, 0.25 / n))), clusters - 1)

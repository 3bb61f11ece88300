"""How many independent values a run of correlated ones is worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.angles import Floats
from pipeline.sailing.stretches import Ints

# Correlations below this are taken as the end of memory: summing on would sum noise.
MEMORY_ENDS = 0.05


def ar1_effective_n(n: ArrayLike, rho: ArrayLike) -> Floats:
    """Effective size n (1 - rho) / (1 + rho) of n values of a first-order autoregression, kept within 1 and n.

    Source: the variance of the mean of an AR(1) series for large n (e.g. Zieba 2010, Metrology and Measurement Systems
    17; citation from memory).
    """
    count, r = np.asarray(n, dtype=float), np.asarray(rho, dtype=float)
    return np.clip(count * (1.0 - r) / (1.0 + r), np.minimum(1.0, count), count)


def effective_n(n: ArrayLike, autocorrelation: Floats) -> Floats:
    """Effective size of n values with the given autocorrelation (lag 0 first, then step by step): n / (1 + 2 sum rho).

    The sum ends at the first value below `MEMORY_ENDS`. For AR(1) this is `ar1_effective_n`. Kept within 1 and n.
    """
    count = np.asarray(n, dtype=float)
    return np.clip(count / integrated_steps(autocorrelation), np.minimum(1.0, count), count)


def integrated_steps(autocorrelation: Floats) -> float:
    """Steps that one independent value takes: 1 + 2 times the sum of the correlations until memory ends."""
    rho = np.asarray(autocorrelation, dtype=float)[1:]
    ends = np.flatnonzero(~(rho >= MEMORY_ENDS))
    return float(1.0 + 2.0 * rho[: ends[0] if ends.size else rho.size].sum())


def lagged_products(values: Floats, first: Ints, end: Ints, most_steps: int) -> Floats:
    """Sums of products at lags 0 to `most_steps` over the series `values[first:end]`, each about its own mean.

    Missing values are left out pair by pair, series of fewer than two known values wholly.
    """
    total = np.zeros(most_steps + 1)
    length = int((end - first).max(initial=0))
    if length == 0:
        return total
    at = first[:, None] + np.arange(length)
    x = np.where(at < end[:, None], values[np.minimum(at, len(values) - 1)], np.nan)
    known = np.isfinite(x)
    count = known.sum(axis=1)
    known &= (count >= 2)[:, None]
    mean = np.where(known, x, 0.0).sum(axis=1) / np.maximum(count, 1)
    x = np.where(known, x - mean[:, None], 0.0)
    for k in range(min(most_steps, length - 1) + 1):
        total[k] = float((x[:, : length - k] * x[:, k:]).sum())
    return total


def autocorrelation(products: Floats) -> Floats:
    """Autocorrelation by lag from `lagged_products`, or the sum of several; without any spread none but at lag 0."""
    return products / products[0] if products[0] > 0 else np.concatenate(([1.0], np.zeros(len(products) - 1)))

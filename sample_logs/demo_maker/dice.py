"""Random numbers that stay the same: raw words of PCG64, a stream that NumPy promises to keep, made normal here."""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtri

Floats = NDArray[np.float64]
SEED = 20_260_606


class Dice:
    """One stream for one purpose, named in words: the same name gives the same numbers whatever else is drawn."""

    def __init__(self, purpose: str) -> None:
        self._bits = np.random.PCG64(SEED + zlib.crc32(purpose.encode()))

    def uniform(self, n: int) -> Floats:
        """n numbers in (0, 1)."""
        words = np.asarray(self._bits.random_raw(n), dtype=np.uint64)
        return ((words >> np.uint64(11)).astype(float) + 0.5) * 2.0**-53

    def normal(self, n: int) -> Floats:
        """n standard normal numbers."""
        return ndtri(self.uniform(n))

    def wander(self, n: int, sd: float, tau_s: float) -> Floats:
        """A first-order wander of n seconds: standard deviation `sd`, time constant `tau_s`, begun in steady state."""
        a = float(np.exp(-1.0 / tau_s))
        noise = self.normal(n)
        noise[1:] *= np.sqrt(1.0 - a * a)
        return sd * lfilter([1.0], [1.0, -a], noise)

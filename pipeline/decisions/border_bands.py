"""The band in which the data cannot tell two sets apart, from mean and standard deviation of their difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.crossovers.crossing import refine, roots
from pipeline.intervals import HALF_90


@dataclass(frozen=True, slots=True)
class Band:
    """90 % band about a crossing, in the unit of its line; `open_low`, `open_high`: it ends where a surface ends."""

    low: float
    high: float
    open_low: bool
    open_high: bool

    @property
    def width(self) -> float:
        """Width; at least so much where a side is open."""
        return self.high - self.low


def band_about(x: Floats, mean: Floats, sd: Floats, near: float) -> Band | None:
    """The band about the crossing nearest to `near` along a line, None where the mean does not cross zero.

    `x` (n >= 2) ascending nodes, `mean` and `sd` (n) of the difference of two log speeds, normal at each. The band is
    where the chance of either being faster stays between 5 and 95 %.
    """
    fine, curve = refine(x, mean)
    found = roots(fine, curve)
    if not found:
        return None
    at = min((r for r, _ in found), key=lambda r: abs(r - near))
    unsure = np.abs(curve) < HALF_90 * np.interp(fine, x, sd)
    k = int(np.argmin(np.abs(fine - at)))
    below, above = np.flatnonzero(~unsure[: k + 1]), np.flatnonzero(~unsure[k:])
    low = float(fine[below[-1]]) if below.size else float(fine[0])
    high = float(fine[k + above[0]]) if above.size else float(fine[-1])
    return Band(min(low, at), max(high, at), not below.size, not above.size)

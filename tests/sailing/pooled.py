"""Autocorrelation of whole series, from the sums that the pieces of a season give."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.angles import Floats
from pipeline.sailing.effective_size import autocorrelation, lagged_products


def pooled_autocorrelation(series: Sequence[Floats], most_steps: int) -> Floats:
    """Autocorrelation at lags 0 to `most_steps` of several series, each about its own mean, pooled by their lengths.

    Missing values are left out pair by pair.
    """
    arrays = [np.asarray(values, dtype=float) for values in series]
    ends = np.cumsum([len(x) for x in arrays], dtype=np.int64)
    firsts = ends - [len(x) for x in arrays]
    return autocorrelation(lagged_products(np.concatenate([*arrays, [np.nan]]), firsts, ends, most_steps))

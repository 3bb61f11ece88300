"""What tacks, gybes and roundings cost: medians by kind and by how the loss is counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import binom


@dataclass(frozen=True, slots=True)
class ManoeuvreKind:
    """Manoeuvres of one kind. `counted`: beat and run by velocity made good, reach by distance.

    Medians over those measured, with the 90 % interval of the median; None with too few.
    """

    kind: str
    counted: str
    number: int
    measured: int
    lost_m: float | None
    lost_s: float | None
    low_s: float | None
    high_s: float | None


def manoeuvre_kinds(tables: Mapping[str, pl.DataFrame]) -> tuple[ManoeuvreKind, ...]:
    """From `manoeuvres`, kinds with most manoeuvres first."""
    frame = tables["manoeuvres"].with_columns(pl.col("counted").fill_null(""))
    out = []
    for (kind, counted), rows in frame.group_by(["kind", "counted"]):
        lost_s = np.sort(rows["lost_s"].drop_nulls().to_numpy())
        low, high = median_interval(lost_s)
        out.append(
            ManoeuvreKind(
                kind=str(kind),
                counted=str(counted),
                number=rows.height,
                measured=rows["lost_m"].drop_nulls().len(),
                lost_m=_median(rows["lost_m"]),
                lost_s=_median(rows["lost_s"]),
                low_s=low,
                high_s=high,
            )
        )
    return tuple(sorted(out, key=lambda m: (-m.number, m.kind, m.counted)))


def _median(values: pl.Series) -> float | None:
    found = values.drop_nulls().median()
    return None if found is None else float(found)  # type: ignore[arg-type]


def median_interval(ordered: np.ndarray) -> tuple[float | None, float | None]:
    """Interval that holds the median with at least 90 %, from order statistics (David & Nagaraja, Order Statistics,
    2003, section 7.1); None with fewer than five values.
    """
    n = len(ordered)
    k = int(binom.ppf(0.05, n, 0.5)) if n else 0
    if k < 1:
        return None, None
    return float(ordered[k - 1]), float(ordered[n - k])

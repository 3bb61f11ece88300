"""From how much sailing a border is known: steady minutes of both sets near it, and days that saw both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.reporting.records.frames import window_minutes

# Near a border: within this of one of its points, twice what `minutes` of the surfaces counts as one place.
NEAR_KN, NEAR_DEG = 2.0, 10.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Steady minutes of each set near the border, and days on which both were sailed there."""

    minutes_a: float
    minutes_b: float
    days_both: int


def evidence_at(
    windows: pl.DataFrame, set_a: str, set_b: str, along: str, places: list[tuple[float, float]]
) -> Evidence:
    """Windows of the two sets near `places`, each (value of `along`, value of the variable held)."""
    spots = [(x, at) if along == "tws_kn" else (at, x) for x, at in places]
    own = windows.filter(pl.col("sail_set").is_in([set_a, set_b]))
    tws, twa = own["tws_kn"].to_numpy(), own["twa_deg"].abs().to_numpy()
    near = np.zeros(own.height, dtype=bool)
    for spot_kn, spot_deg in spots:
        near |= (np.abs(tws - spot_kn) <= NEAR_KN) & (np.abs(twa - spot_deg) <= NEAR_DEG)
    kept = own.filter(pl.Series(near, dtype=pl.Boolean)).with_columns(window_minutes().alias("minutes"))
    a, b = (kept.filter(pl.col("sail_set") == name) for name in (set_a, set_b))
    days = set(a["start"].dt.date()) & set(b["start"].dt.date())
    return Evidence(float(a["minutes"].sum() or 0.0), float(b["minutes"].sum() or 0.0), len(days))

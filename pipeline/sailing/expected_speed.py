"""A rough idea of the boat's speed in a wind, from the track itself: a yardstick for recovery, never a result."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.track import Track

TWS_STEP_KN = 2.0
TWA_STEP_DEG = 10.0
LEAST_SECONDS = 60.0


def expected_speed_kn(track: Track) -> Floats:
    """Median speed of the track at about the same true wind, all sets together; NaN where too little was sailed."""
    frame = pl.DataFrame(
        {
            "i": np.floor(track.tws_kn / TWS_STEP_KN + 0.5),
            "j": np.floor(np.abs(track.twa_deg) / TWA_STEP_DEG + 0.5),
            "bsp": track.bsp_kn,
        },
        nan_to_null=True,
    )
    least = max(1, round(LEAST_SECONDS / track.step_s))
    table = frame.drop_nulls().group_by("i", "j").agg(pl.col("bsp").median().alias("expected"), pl.len().alias("n"))
    table = table.filter(pl.col("n") >= least).select("i", "j", "expected")
    joined = frame.with_row_index("row").join(table, on=["i", "j"], how="left", maintain_order="left")
    return joined["expected"].fill_null(float("nan")).to_numpy().astype(float)

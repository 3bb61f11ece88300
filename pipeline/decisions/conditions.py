"""The conditions that the inventory and the costs are judged by: those given, or those sailed."""

from __future__ import annotations

import polars as pl

# Lighter winds have no direction to speak of, and no boat is sailed closer to the wind than this.
LEAST_TWS_KN, LEAST_TWA_DEG = 2.0, 25.0
# A sample stands for the time to the next one, but never for a gap.
LONGEST_STEP_S = 5.0
STEP_KN, STEP_DEG = 1.0, 5.0
# Time is summed in whole microseconds: sums of fractions would depend on the order of rows and the number of threads.
MICROSECONDS = 3_600_000_000

SCHEMA: dict[str, pl.DataType] = {"tws_kn": pl.Float64(), "twa_deg": pl.Float64(), "hours": pl.Float64()}


def conditions_of(wind: pl.DataFrame, given: pl.DataFrame | None) -> pl.DataFrame:
    """Hours by true wind speed and angle on nodes of 1 kn x 5 deg: `tws_kn, twa_deg, hours`, sorted.

    `given`: the table `conditions.csv`; where it is None or empty, the time sailed: `wind` as `add_true_wind` leaves
    it, samples without true wind left out. Angles are folded to 0..180.
    """
    if given is not None and given.height:
        hours = given.select(pl.col(c).cast(t) for c, t in SCHEMA.items()).with_columns(_microseconds(pl.col("hours")))
    else:
        step = (pl.col("time").shift(-1) - pl.col("time")).dt.total_microseconds()
        hours = wind.select(
            "tws_kn",
            pl.col("twa_deg").abs(),
            pl.when(step <= LONGEST_STEP_S * 1_000_000).then(step).otherwise(0).fill_null(0).alias("hours"),
        ).filter(
            pl.col("tws_kn").is_finite() & (pl.col("tws_kn") >= LEAST_TWS_KN) & (pl.col("twa_deg") >= LEAST_TWA_DEG)
        )
    node = [
        ((pl.col("tws_kn") / STEP_KN).round() * STEP_KN).alias("tws_kn"),
        ((pl.col("twa_deg") / STEP_DEG).round() * STEP_DEG).alias("twa_deg"),
    ]
    summed = hours.with_columns(node).group_by("tws_kn", "twa_deg").agg(pl.col("hours").sum() / MICROSECONDS)
    return summed.filter(pl.col("hours") > 0).sort("tws_kn", "twa_deg")


def _microseconds(hours: pl.Expr) -> pl.Expr:
    return (hours * MICROSECONDS).round().cast(pl.Int64)

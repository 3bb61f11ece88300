"""Makers' wind limits: stretches sailed beyond them, and where on the chart the apparent wind exceeds them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat, Sail
from pipeline.surfaces.season import SeasonFit
from pipeline.wind.height import height_factor
from pipeline.wind.triangle import apparent_from_true

# A gust is no stretch: the mean over this time must exceed the limit, and pauses shorter than the second are bridged.
SUSTAINED_S, BRIDGED_S = 30.0, 60.0
# Share of the samples that must be known for a mean to count.
KNOWN_SHARE = 0.5
BEYOND_SCHEMA: dict[str, pl.DataType] = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "sail_set": pl.String(),
    "sail": pl.String(),
    "aws_max_kn": pl.Float64(),
    "limit_kn": pl.Float64(),
    "minutes": pl.Float64(),
}
CELLS_SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "sail": pl.String(),
    "aws_kn": pl.Float64(),
    "limit_kn": pl.Float64(),
}


def limited_sails(sail_set: str, boat: Boat) -> list[Sail]:
    """Sails of a set that have a maker's limit, the lowest limit first."""
    sails = [boat.sails[c] for c in sails_of(sail_set, boat) or ()]
    return sorted((s for s in sails if s.max_aws_kn is not None), key=lambda s: (s.max_aws_kn or 0.0, s.code))


def beyond_limits(wind: pl.DataFrame, segments: pl.DataFrame, boat: Boat) -> pl.DataFrame:
    """Stretches sailed beyond a sail's `max_aws_kn`: `start, end, sail_set, sail, aws_max_kn, limit_kn, minutes`.

    `wind`: samples with `time` and `aws_kn` (horizontal, corrected, at the sensor's height). A stretch is where the
    mean over 30 s exceeds the limit, pauses of less than a minute bridged; `aws_max_kn` is the highest such mean. One
    row a sail; a change of set ends a stretch.
    """
    parts = []
    for name in sorted(n for n in segments["sail_set"].unique().to_list() if n is not None):
        for sail in limited_sails(name, boat):
            mine = segments.filter(pl.col("sail_set") == name).select("start", pl.col("end").alias("until"))
            parts.append(_stretches(wind, mine.sort("start"), name, sail))
    return pl.concat([pl.DataFrame(schema=BEYOND_SCHEMA), *parts]).sort("start", "sail")


def _stretches(wind: pl.DataFrame, mine: pl.DataFrame, name: str, sail: Sail) -> pl.DataFrame:
    limit = float(sail.max_aws_kn or 0.0)
    window = f"{int(SUSTAINED_S)}s"
    step_s = float((wind["time"].diff().dt.total_microseconds() / 1e6).median() or 1.0)  # type: ignore[arg-type]
    up = (
        wind.select("time", "aws_kn")
        .sort("time")
        .join_asof(mine.with_row_index("segment"), left_on="time", right_on="start")
        .filter((pl.col("time") < pl.col("until")) & pl.col("aws_kn").is_finite())
    )
    held = up.with_columns(
        pl.col("aws_kn").rolling_mean_by("time", window).over("segment").alias("mean_kn"),
        pl.col("aws_kn").rolling_sum_by("time", window).over("segment").alias("sum_kn"),
    ).filter(
        (pl.col("mean_kn") > limit)
        & (pl.col("sum_kn") / pl.col("mean_kn") >= KNOWN_SHARE * max(SUSTAINED_S / step_s, 1.0))
    )
    pause = (pl.col("time").diff().dt.total_seconds() > SUSTAINED_S + BRIDGED_S) | (pl.col("segment").diff() != 0)
    grouped = (
        held.with_columns(pause.fill_null(True).cum_sum().alias("stretch"))
        .group_by("stretch")
        .agg(
            (pl.col("time").first() - pl.duration(seconds=int(SUSTAINED_S))).alias("start"),
            pl.col("time").last().alias("end"),
            pl.col("mean_kn").max().alias("aws_max_kn"),
        )
    )
    return grouped.select(
        "start",
        "end",
        pl.lit(name).alias("sail_set"),
        pl.lit(sail.code).alias("sail"),
        "aws_max_kn",
        pl.lit(limit).alias("limit_kn"),
        ((pl.col("end") - pl.col("start")).dt.total_microseconds() / 6e7).alias("minutes"),
    ).select(pl.col(c).cast(t) for c, t in BEYOND_SCHEMA.items())


def limit_cells(fit: SeasonFit, boat: Boat) -> pl.DataFrame:
    """Cells of the chart where a set, at its own speed, meets more apparent wind than a sail of it is allowed:
    `sail_set, tws_kn, twa_deg, sail, aws_kn, limit_kn`, the sail with the lowest limit.

    The apparent wind is that at the sensor's height, as the limit is read aboard. Cells that a set's surface does not
    reach are taken at the speed of the fastest set that does, so that a limit does not end where the data end.
    """
    rows: list[tuple[object, ...]] = []
    if fit.log_speed.size == 0:
        return pl.DataFrame(schema=CELLS_SCHEMA)
    tws, twa = np.meshgrid(fit.tws_kn, fit.twa_deg, indexing="ij")
    known = np.where(np.isfinite(fit.log_speed), fit.log_speed, -np.inf)
    fastest = known.max(axis=0)
    instruments = boat.instruments
    factor = height_factor(instruments.reference_height_m, instruments.wind_sensor_height_m)
    for k, name in enumerate(fit.sets):
        limited = limited_sails(name, boat)
        if not limited:
            continue
        bsp = np.exp(np.where(np.isfinite(known[k]), known[k], fastest))
        _, aws = apparent_from_true(twa, tws * factor, bsp)
        limit = float(limited[0].max_aws_kn or 0.0)
        over = (aws > limit) & np.isfinite(fastest)
        rows += [
            (name, *cell, limited[0].code, a, limit) for *cell, a in zip(tws[over], twa[over], aws[over], strict=True)
        ]
    return pl.DataFrame(rows, schema=CELLS_SCHEMA, orient="row")

"""Sessions: stretches of the instrument log without a gap of 10 minutes."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

SESSION_GAP = timedelta(minutes=10)  # formats.md: a session ends at a gap of 10 min


def find_sessions(times: pl.Series) -> pl.DataFrame:
    """Sessions of the sample times (naive UTC, any order, nulls ignored): `session` (from 1), `start`, `end`.

    `start` and `end` are the first and last sample; a lone sample is a session of no length. A gap of exactly
    10 min ends one.
    """
    known = times.cast(pl.Datetime("us")).drop_nulls().unique().sort()
    frame = pl.DataFrame({"time": known})
    return (
        frame.with_columns(session=(pl.col("time").diff() >= SESSION_GAP).fill_null(False).cum_sum().cast(pl.Int64) + 1)
        .group_by("session", maintain_order=True)
        .agg(start=pl.col("time").min(), end=pl.col("time").max())
        .sort("session")
    )

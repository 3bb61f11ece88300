"""Samples of many logs on one time line. Where only one log runs its samples are taken as they are."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import duckdb
import polars as pl

from pipeline.ingest.carry import EXTRA_BIT, FRESH, FRESH_BIT, max_age_s

# Values are carried from one log to the next for at most this long, however old their channel allows.
REACH = timedelta(seconds=60)
# A log that begins so soon after another was cut from it, or is of the same instruments.
NEAR = timedelta(seconds=10)
_EVER = (datetime(1, 1, 1), datetime(9999, 1, 1))


def read_samples(
    connection: duckdb.DuckDBPyConnection,
    sql_text: Callable[[str], str],
    start: datetime | None = None,
    stop: datetime | None = None,
    columns: str = "*",
) -> pl.DataFrame:
    """One row a time, ascending, columns `time`, the catalogue's channels, further transducers.

    Or only `columns`, as SQL lists them, `time` among them.

    Where several logs run at once, their fresh values are brought onto the fastest of their clocks; of a channel that
    several measured in the same tick, the log with the faster clock (then the longer, then by its hash) is believed;
    and values are carried forward over all of them, no longer than their channel's maximum age.
    """
    begin, end = start or _EVER[0], stop or _EVER[1]
    limits = {"reach": REACH, "near": NEAR}
    stretches = connection.sql(sql_text("ingest/overlaps"), params=limits).pl()
    stretches = stretches.filter((pl.col("stop") >= begin) & (pl.col("start") < end))
    query = f"SELECT {columns} FROM ({sql_text('ingest/samples_between').rstrip().rstrip(';')})"
    alone = connection.sql(query, params={"start": begin, "stop": end}).pl()
    for first, last in stretches.iter_rows():
        alone = alone.filter(~pl.col("time").is_between(first, last))
    # Loaded in order, as a rule: sooner seen than sorted by the database.
    alone = alone if alone["time"].is_sorted() else alone.sort("time")
    if stretches.is_empty():
        return alone
    query = sql_text("ingest/samples_shared")
    parts = [alone]
    for first, last in stretches.iter_rows():
        rows = connection.sql(query, params={"start": first, "stop": last, "reach": REACH}).pl()
        joined = share(rows).filter(pl.col("time").is_between(first, last))
        parts.append(joined.filter((pl.col("time") >= begin) & (pl.col("time") < end)))
    return pl.concat([p.select(alone.columns) for p in parts]).sort("time")


def share(rows: pl.DataFrame) -> pl.DataFrame:
    """Samples of several logs (with `fresh`, `rank`, `step_us`) on the fastest of their clocks, one row a tick."""
    names = [c for c in rows.columns if c not in ("time", FRESH, "rank", "step_us")]
    step_us = int(rows["step_us"].min() or 1_000_000)
    tick = ((pl.col("time").cast(pl.Int64) + step_us // 2) // step_us * step_us).cast(pl.Datetime("us"))
    measured = rows.select(tick.alias("time"), "rank", *(_measured(n) for n in names)).sort("time", "rank")
    ticks = measured.group_by("time", maintain_order=True).agg(pl.col(n).drop_nulls().first() for n in names)
    return ticks.select("time", *(_carried(n) for n in names))


def _measured(name: str) -> pl.Expr:
    bit = FRESH_BIT.get(name, EXTRA_BIT)
    return pl.when((pl.col(FRESH) // (1 << bit)) % 2 == 1).then(pl.col(name)).alias(name)


def _carried(name: str) -> pl.Expr:
    seen = pl.when(pl.col(name).is_not_null()).then(pl.col("time")).forward_fill()
    young = (pl.col("time") - seen).dt.total_microseconds() <= int(max_age_s(name) * 1e6)
    return pl.when(young).then(pl.col(name).forward_fill()).alias(name)

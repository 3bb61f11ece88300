"""The tables of a run with every one present: a table not handed over is empty with its typed columns."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.diagnostics.season import SCHEMAS
from pipeline.tables import TABLES

_SIDE_TABLES: Mapping[str, dict[str, pl.DataType]] = {
    "thresholds": {"name": pl.String(), "value": pl.Float64(), "unit": pl.String(), "why": pl.String()},
    "set_aside": {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "reason": pl.String()},
    **SCHEMAS,
}


def complete(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """`tables` with the missing ones added empty."""
    whole = dict(tables)
    for name, table in TABLES.items():
        if name not in whole:
            whole[name] = table.empty()
    for name, schema in _SIDE_TABLES.items():
        if name not in whole:
            whole[name] = pl.DataFrame(schema=schema)
    return whole


def window_minutes() -> pl.Expr:
    """Length of a window or segment in minutes."""
    return (pl.col("end") - pl.col("start")).dt.total_microseconds() / 60e6

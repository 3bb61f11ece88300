"""All tables of the store as CSV and Parquet, with the same columns."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl

from pipeline.ingest.store import INTERNAL, Store, plain
from pipeline.tables import TABLES
from pipeline.threads import allowed

# A spreadsheet takes a cell that begins so for a formula; in CSV such text gets an apostrophe in front.
FORMULA_STARTS = r"^[=+\-@\t\r]"

# Tables to which days are added as they come, and the order in which people read them.
ORDER = {"files": ("file",), "rejected": ("file", "line"), "set_aside": ("start",)}


def export_tables(store: Store, folder: Path, names: Iterable[str] | None = None) -> list[str]:
    """Write `folder`/NAME.csv and NAME.parquet for `names`: by default the whole catalogue and every other result.

    A table that was never written is empty with its typed columns. Returns the names, sorted.
    """
    wanted = sorted(names if names is not None else exported(store))
    folder.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(allowed()) as beside:
        written = []
        for name in wanted:
            frame = store.read_table(name).sort(ORDER.get(name, ()), maintain_order=True)
            written.append(beside.submit(write_both, frame, folder, name))
    for one in written:
        one.result()
    return wanted


def exported(store: Store) -> set[str]:
    """Names of all tables that are results."""
    return (set(TABLES) | set(store.table_names())) - INTERNAL


def write_both(frame: pl.DataFrame, folder: Path, name: str) -> None:
    """`frame` as CSV and Parquet: each appears whole or not at all."""
    frame = plain(frame)
    for suffix, write in ((".parquet", write_parquet), (".csv", write_csv)):
        target = folder / f"{name}{suffix}"
        aside = folder / f".{name}{suffix}.aside"
        try:
            write(frame, aside)
            aside.replace(target)
        finally:
            aside.unlink(missing_ok=True)


def write_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Times become UTC timestamps in microseconds."""
    frame.with_columns(pl.col(_times(frame)).dt.cast_time_unit("us").dt.replace_time_zone("UTC")).write_parquet(path)


def write_csv(frame: pl.DataFrame, path: Path) -> None:
    """Times become RFC 3339 in UTC, booleans true and false, missing empty; text is kept from acting as a formula."""
    columns = [pl.col(name).dt.strftime(_time_format(frame[name])) for name in _times(frame)]
    columns += [_harmless(name) for name, dtype in frame.schema.items() if dtype == pl.String]
    frame.with_columns(columns).write_csv(path)


def _times(frame: pl.DataFrame) -> list[str]:
    return [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]


def _time_format(times: pl.Series) -> str:
    """Whole seconds where all are whole, else microseconds: one form in a column."""
    whole = bool((times.dt.microsecond().fill_null(0) == 0).all())
    return "%Y-%m-%dT%H:%M:%SZ" if whole else "%Y-%m-%dT%H:%M:%S%.6fZ"


def _harmless(name: str) -> pl.Expr:
    text = pl.col(name)
    return pl.when(text.str.contains(FORMULA_STARTS)).then("'" + text).otherwise(text).alias(name)

"""Bulk loading: what many logs give is gathered and put into the store a large part at a time."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from types import TracebackType
from typing import Self

import polars as pl

from pipeline import threads
from pipeline.ingest.store import MEMORY_LIMIT, Store

# Rows at a time; DuckDB packs so many together (its row groups), and few small loads cost more than one large one.
ROWS_AT_ONCE = 122_880
# What was loaded is not looked at again, and need not be kept at hand.
MEMORY_WHILE_LOADING = "64MB"
FILE_TYPES = {
    "lines": pl.Int64(),
    "used": pl.Int64(),
    "passed_over": pl.Int64(),
    "rejected": pl.Int64(),
    "samples": pl.Int64(),
    "first_date": pl.Date(),
    "first_time": pl.Datetime("us"),
    "last_time": pl.Datetime("us"),
    "rate_hz": pl.Float64(),
    "dated": pl.Boolean(),
}


@dataclass(slots=True)
class Span:
    """The samples of one log: how many, the first and the last."""

    rows: int = 0
    first: datetime | None = None
    last: datetime | None = None


class Loading:
    """Rows on their way into the store. `rows` holds the logs' own rows of `files`, by their id.

    Use as a context. Samples go in beside other work; nothing else may be asked of the store meanwhile: see `wait`.
    """

    def __init__(self, store: Store) -> None:
        """Nothing is on its way yet."""
        store.execute(f"SET memory_limit = '{MEMORY_WHILE_LOADING}'")
        store.execute("SET threads = 1")  # more would only wait for each other, and for what is loaded
        self.store = store
        self.rows: dict[str, dict[str, object]] = {}
        self._samples: list[pl.DataFrame] = []
        self._height = 0
        self._others: dict[str, list[pl.DataFrame]] = {"rejected": [], "file_flags": []}
        self._beside = ThreadPoolExecutor(1)
        self._going_in: Future[None] | None = None

    def samples(self, file_id: str, batches: Iterable[pl.DataFrame]) -> Span:
        """Take the samples of one log, which come in order of time, one a tick.

        Raises `AssertionError` where they do not: a fault of ours, not of the data.
        """
        span = Span()
        for batch in batches:
            if not batch.height:
                continue
            times = batch["time"].to_physical()
            if (times.diff() <= 0).any() or (span.last is not None and batch["time"][0] <= span.last):
                raise AssertionError(f"samples of {file_id} are not one a tick, ascending")
            span.first = span.first or batch["time"][0]
            span.last = batch["time"][-1]
            span.rows += batch.height
            # A column without a value is missing by itself, and need not be carried over.
            full = [name for name in batch.columns if batch[name].null_count() < batch.height]
            self._samples.append(_tagged(batch[full], file_id))
            self._height += batch.height
            if self._height >= ROWS_AT_ONCE:
                self._load_samples(self._height // ROWS_AT_ONCE * ROWS_AT_ONCE)
        return span

    def __enter__(self) -> Self:
        """The loading itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Let go of the store, whatever became of the rows."""
        self._beside.shutdown(wait=True)

    def add(self, file_id: str, *, rejected: pl.DataFrame, flags: pl.DataFrame, row: dict[str, object]) -> None:
        """Take what else is to be kept of one log."""
        self.rows[file_id] = row
        self._others["rejected"].append(_tagged(rejected, file_id))
        self._others["file_flags"].append(_tagged(flags, file_id))
        if sum(frame.height for frame in self._others["rejected"]) >= ROWS_AT_ONCE:
            self._flush_others()

    def _load_samples(self, count: int) -> None:
        """Put the first `count` rows into the store, once the rows before them are in it."""
        whole = _stacked(self._samples)
        self._samples, self._height = [whole.slice(count)], self._height - count
        self.wait()
        self.store.widen_samples(whole.columns)
        self._going_in = self._beside.submit(self.store.append, "sample_rows", whole.head(count))

    def wait(self) -> None:
        """Wait until no rows are on their way into the store any more. Raises what went wrong with them."""
        going_in, self._going_in = self._going_in, None
        if going_in is not None:
            going_in.result()

    def _flush_others(self) -> None:
        self.wait()
        for table, frames in self._others.items():
            if frames:
                self.store.append(table, pl.concat(frames))
            self._others[table] = []

    def flush(self) -> None:
        """Put into the store what was taken so far."""
        if self._height:
            self._load_samples(self._height)
            self._samples = []
        self._flush_others()

    def finish(self) -> None:
        """Put the rest into the store, the logs' own rows with it."""
        self.flush()
        self.store.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
        self.store.execute(f"SET threads = {threads.allowed()}")
        if self.rows:
            rows = list(self.rows.values())
            self.store.append("files", pl.DataFrame(rows, schema_overrides=FILE_TYPES, infer_schema_length=None))


def _stacked(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """Frames one upon the other, without copying; a column that one lacks is missing there."""
    schema = {name: dtype for frame in frames for name, dtype in frame.schema.items()}
    lacking = [[n for n in schema if n not in frame.columns] for frame in frames]
    filled = [
        frame.hstack([pl.Series(n, [None], dtype=schema[n]).new_from_index(0, frame.height) for n in names])
        for frame, names in zip(frames, lacking, strict=True)
    ]
    return pl.concat([frame[list(schema)] for frame in filled], rechunk=False)


def _tagged(frame: pl.DataFrame, file_id: str) -> pl.DataFrame:
    return frame.hstack([pl.Series("file_id", [file_id], dtype=pl.String).new_from_index(0, frame.height)])

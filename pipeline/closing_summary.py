"""The few lines that close a run: what was read, what was rejected, which borders moved, where to look."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.ingest.reasons import LINES_REJECTED, ON_THE_CLOCK
from pipeline.reporting.numbers import Numbers, plural

if TYPE_CHECKING:
    from pipeline.chain import RunSummary


MOST_NOTES = 6


def closing_lines(summary: RunSummary) -> list[str]:
    """Plain sentences; the place of the results last. What they say of the design is what the sailmaker's page says."""
    tables = summary.tables
    lines: list[str] = []
    if "files" in tables:
        lines.append(_read(tables["files"]))
    if "flags" in tables:
        lines += _noticed(tables["flags"])
    if "windows" in tables and "segments" in tables:
        lines.append(_sailed(tables["windows"], tables["segments"]))
    if "crossovers" in tables:
        lines.append(_crossovers(tables["crossovers"]))
    if "design_comparison" in tables and not tables["design_comparison"].is_empty():
        from pipeline.reporting.records.answers import sailmaker_answer
        from pipeline.reporting.records.ledger import ledger

        lines += sailmaker_answer(ledger(tables), Numbers(), True)
    if summary.unchanged:
        lines.append(f"Not redone, since nothing it depends on changed: {', '.join(summary.unchanged)}.")
    index = summary.out / "index.html"
    lines.append(f"Results: {index if index.is_file() else summary.out}")
    return lines


def _read(files: pl.DataFrame) -> str:
    total, passed, rejected = (int(files[c].sum()) for c in ("lines", "passed_over", "rejected"))
    text = f"Read {plural(files.height, 'log')}, {total:,} lines: {passed:,} passed over, {rejected:,} rejected"
    if rejected:
        worst = files.sort(["rejected", "file"], descending=[True, False]).row(0, named=True)
        text += f" (most in {worst['file']}: {worst['rejected']:,}; see tables/rejected.csv)"
    return f"{text}."


def _noticed(flags: pl.DataFrame) -> list[str]:
    """What was odd about the logs and decided by the program: a person may have to decide otherwise in `boat.toml`."""
    odd = flags.filter((pl.col("stage") == "ingest") & ~pl.col("reason").is_in([ON_THE_CLOCK, LINES_REJECTED]))
    rows = odd.sort(["count", "reason"], descending=[True, False]).iter_rows(named=True)
    lines = [f"In the logs: {row['reason']} ({row['count']:,})" for row in rows]
    more = len(lines) - MOST_NOTES
    return lines if more <= 0 else [*lines[:MOST_NOTES], f"In the logs: {more} more remarks in tables/flags.csv"]


def _sailed(windows: pl.DataFrame, segments: pl.DataFrame) -> str:
    hours = windows.select((pl.col("end") - pl.col("start")).dt.total_milliseconds().sum() / 3.6e6).item() or 0.0
    kept = plural(windows.height, "steady window")
    sets = plural(windows["sail_set"].n_unique(), "sail set")
    return f"{kept} ({hours:.1f} h) under {sets}, of {plural(segments['sail_set'].n_unique(), 'set')} on the time line."


def _crossovers(crossovers: pl.DataFrame) -> str:
    if crossovers.is_empty():
        return "No crossover could be measured: no two sets are supported side by side."
    pairs = {frozenset(pair) for pair in crossovers.select("set_a", "set_b").iter_rows()}
    clear = crossovers.filter(pl.col("verdict") == "clear").height
    measured = f"Crossovers measured between {plural(len(pairs), 'pair')} of sets"
    return f"{measured}; {clear} of {plural(crossovers.height, 'point')} on them clear."

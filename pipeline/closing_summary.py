"""The few lines that close a run: what was read, what was rejected, which borders moved, where to look."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from pipeline.chain import RunSummary


def closing_lines(summary: RunSummary) -> list[str]:
    """Plain sentences, most important last but one, the place of the results last."""
    tables = summary.tables
    lines: list[str] = []
    if "files" in tables:
        lines += _read(tables["files"])
    if "windows" in tables and "segments" in tables:
        lines.append(_sailed(tables["windows"], tables["segments"]))
    if "crossovers" in tables:
        lines.append(_crossovers(tables["crossovers"]))
    if "design_comparison" in tables:
        lines += _design(tables["design_comparison"])
    if summary.unchanged:
        lines.append(f"Not redone, since nothing it depends on changed: {', '.join(summary.unchanged)}.")
    index = summary.out / "index.html"
    lines.append(f"Results: {index if index.is_file() else summary.out}")
    return lines


def _read(files: pl.DataFrame) -> list[str]:
    total, passed, rejected = (int(files[c].sum()) for c in ("lines", "passed_over", "rejected"))
    text = f"Read {_count(files.height, 'log')}, {total:,} lines: {passed:,} passed over, {rejected:,} rejected"
    if rejected:
        worst = files.sort(["rejected", "file"], descending=[True, False]).row(0, named=True)
        text += f" (most in {worst['file']}: {worst['rejected']:,}; see tables/rejected.csv)"
    return [text + "."]


def _sailed(windows: pl.DataFrame, segments: pl.DataFrame) -> str:
    hours = windows.select((pl.col("end") - pl.col("start")).dt.total_milliseconds().sum() / 3.6e6).item() or 0.0
    names = segments["sail_set"].n_unique()
    return f"{windows.height:,} steady windows ({hours:.1f} h) of {_count(names, 'sail set')} on the time line."


def _crossovers(crossovers: pl.DataFrame) -> str:
    if crossovers.is_empty():
        return "No crossover could be measured: no two sets are supported side by side."
    pairs = crossovers.select("set_a", "set_b").unique()
    clear = crossovers.filter(pl.col("verdict") == "clear").height
    return (
        f"Crossovers measured between {_count(_unordered(pairs), 'pair')} of sets; "
        f"{clear} of {crossovers.height} points clear."
    )


def _design(comparison: pl.DataFrame) -> list[str]:
    if comparison.is_empty():
        return []
    lines = []
    moved = comparison.filter((pl.col("verdict") == "moved") & pl.col("shift").is_not_null())
    for along, unit in (("tws_kn", "kn"), ("twa_deg", "deg")):
        ledger = (
            moved.filter(pl.col("along") == along)
            .group_by("set_a", "set_b")
            .agg(pl.col("shift").median(), pl.len().alias("points"), pl.col("shift").abs().median().alias("size"))
            .sort(["size", "set_a", "set_b"], descending=[True, False, False])
        )
        for row in ledger.head(3).iter_rows(named=True):
            lines.append(
                f"Moved: {row['set_a']} to {row['set_b']} by {row['shift']:+.1f} {unit} "
                f"(median of {row['points']} points)."
            )
    counts = dict(comparison.group_by("verdict").len().iter_rows())
    words = ", ".join(f"{counts.get(v, 0)} {v}" for v in ("confirmed", "moved", "untested"))
    lines.append(f"Against the design: {words} (points on the borders).")
    return lines


def _unordered(pairs: pl.DataFrame) -> int:
    return len({frozenset(pair) for pair in pairs.iter_rows()})


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"

"""Table `tag_audit`: stretches whose speeds fit another set better than the logged one. Nothing is changed by it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.decisions.likeliest_names import Finding, findings
from pipeline.decisions.name_edges import first_and_last
from pipeline.decisions.name_prior import KEEN
from pipeline.decisions.name_search import units_of
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

# A stretch is worth a look from this chance of its other name among all explanations on.
LEAST_CHANCE = 0.25
# Shorter findings are left to the change times.
LEAST_MINUTES = 5.0
# Boats take about so long to be steady after a change; farther off a logged border may be one that came late.
NEAR_A_BORDER = timedelta(minutes=2)
BEYOND: dict[str, pl.DataType] = {
    "minutes": pl.Float64(),
    "windows": pl.Int64(),
    "chance": pl.Float64(),
    "off_logged_pct": pl.Float64(),
    "off_likelier_pct": pl.Float64(),
}


def tag_audit(windows: pl.DataFrame, segments: pl.DataFrame, fit: SeasonFit, boat: Boat) -> pl.DataFrame:
    """Rows `start, end, logged, likelier, odds` and, beyond the format, `minutes, windows, chance, off_logged_pct,
    off_likelier_pct`.

    `odds`: of the likelier name against the logged one, prior odds included. `chance`: of the likelier name among all
    explanations, "something else was odd" among them. `off_*_pct`: by how much the boat was faster than either name
    foretells from the rest of the season and of the day.
    """
    schema = {**TABLES["tag_audit"].columns, **BEYOND}
    basis = fit.as_logged or fit.basis
    if basis is None:
        return pl.DataFrame(schema=schema)
    end_of = dict(windows.group_by("start").agg(pl.col("end").max()).iter_rows())
    found = (f for f in findings(basis, boat, KEEN, LEAST_CHANCE) if f.chance >= LEAST_CHANCE)
    rows = sorted((_row(f, segments, end_of) for f in found), key=lambda r: -r["chance"])
    kept: list[dict[str, Any]] = []
    for row in rows:
        apart = all(row["end"] <= other["start"] or row["start"] >= other["end"] for other in kept)
        if apart and row["minutes"] >= LEAST_MINUTES:
            kept.append(row)
    return TABLES["tag_audit"].conform(pl.DataFrame(kept, schema=schema, orient="row").sort("start"))


def _row(f: Finding, segments: pl.DataFrame, end_of: dict[datetime, datetime]) -> dict[str, Any]:
    search, p = f.search, f.piece
    chunks, starts, sets = search.chunks, f.part.seen.starts, f.part.seen.sets
    unit = next(u for u in units_of(chunks) if p.at[0] in u.at)
    first, last = first_and_last(search, p, unit)
    whole = (first == chunks.first[unit.at[0]], last == chunks.last[unit.at[-1]])
    start, end = starts[first], end_of[starts[last]]
    start, end = _to_the_borders(segments, sets[p.logged], start, end, whole)
    off = [search.off(search.season.told(p.at, np.full(len(p.at), k))) for k in (p.logged, p.label)]
    return {
        "start": start,
        "end": end,
        "logged": sets[p.logged],
        "likelier": sets[p.label],
        "odds": float(np.exp(min(p.gain, 50.0))),
        "minutes": (end - start).total_seconds() / 60.0,
        "windows": last - first + 1,
        "chance": f.chance,
        "off_logged_pct": 100.0 * float(np.expm1(off[0])),
        "off_likelier_pct": 100.0 * float(np.expm1(off[1])),
    }


def _to_the_borders(
    segments: pl.DataFrame, logged: str, start: datetime, end: datetime, whole: tuple[bool, bool]
) -> tuple[datetime, datetime]:
    """From the times of windows to the borders of the logged stretch, where the finding reaches them if near."""
    mine = segments.filter((pl.col("sail_set") == logged) & (pl.col("start") < end) & (pl.col("end") > start))
    for first, last in mine.select("start", "end").iter_rows():
        start = first if whole[0] and first > start - NEAR_A_BORDER else start
        end = last if whole[1] and last < end + NEAR_A_BORDER else end
    return start, end

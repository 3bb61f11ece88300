"""Table `tag_audit`: stretches whose speeds fit another set better than the logged one. Nothing is changed by it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.campaign.settings import UNLOGGED, Boat
from pipeline.decisions.day_labels import DayUnderLabels, StretchUnderLabels
from pipeline.decisions.day_predictions import FittedModel, model_of, predict_days, relabelled
from pipeline.decisions.label_odds import Evidence, best_other_name, judged_again
from pipeline.decisions.usage import Usage
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

# A stretch is listed where its wrong name is likelier than all other explanations together, and believed by the audit's
# own next pass somewhat sooner.
LEAST_CHANCE, BELIEVED_CHANCE = 0.5, 0.2
# The speeds themselves must speak for the other name (likelihoods so many to one), not only what is usually flown
# there, and must fit it: no more than this share of the logged name's misfit, or this much log speed, may be left.
LEAST_RATIO, MOST_MISFIT_LEFT, FITS = 3.0, 0.75, 0.01
# Findings within one logged stretch: a forgotten change leaves one, seldom two.
MOST_FINDINGS = 3
# A wrong name also spoils the surfaces that other stretches are judged by: the audit goes over the season again with
# its findings believed, until nothing new is found.
MOST_PASSES = 4
BEYOND: dict[str, pl.DataType] = {
    "minutes": pl.Float64(),
    "windows": pl.Int64(),
    "chance": pl.Float64(),
    "off_logged_pct": pl.Float64(),
    "off_likelier_pct": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """`rows`: the windows of the finding; `whole`: whether it begins and ends with its logged stretch."""

    rows: Ints
    logged: int
    whole: tuple[bool, bool]
    evidence: Evidence


def tag_audit(windows: pl.DataFrame, segments: pl.DataFrame, fit: SeasonFit, boat: Boat) -> pl.DataFrame:
    """Rows `start, end, logged, likelier, odds` and, beyond the format, `minutes, windows, chance, off_logged_pct,
    off_likelier_pct`.

    `odds`: of the likelier name against the logged one, prior odds included. `chance`: of the likelier name among all
    explanations, "something else was odd" among them. `off_*_pct`: by how much the boat was faster than either name
    foretells from the rest of the season and of the day.
    """
    schema = {**TABLES["tag_audit"].columns, **BEYOND}
    if fit.basis is None or len(fit.sets) < 2:
        return pl.DataFrame(schema=schema)
    model = model_of(fit.basis, boat)
    end_of = dict(windows.group_by("start").agg(pl.col("end").max()).iter_rows())
    rows = [_row(f, model, segments, end_of) for f in findings(model)]
    return TABLES["tag_audit"].conform(pl.DataFrame(rows, schema=schema, orient="row").sort("start"))


def findings(model: FittedModel) -> list[Finding]:
    """Every finding above the threshold, in order of time."""
    usage = Usage(model.seen)
    found: list[Finding] = []
    for _ in range(MOST_PASSES):
        found = _one_pass(model, usage, found)
        believed = model.seen.set_number.copy()
        for f in found:
            believed[f.rows] = f.evidence.set_number
        if np.array_equal(believed, model.believed):
            break
        model = relabelled(model, believed)
        usage = Usage(model.seen, believed)
    return [f for f in found if f.evidence.chance >= LEAST_CHANCE]


def _one_pass(model: FittedModel, usage: Usage, earlier: list[Finding]) -> list[Finding]:
    """Findings of an earlier pass judged anew, and new ones among the windows that they leave."""
    seen = model.seen
    candidates = [k for k, name in enumerate(seen.sets) if name != UNLOGGED]
    out = []
    for predicted in predict_days(model):
        day = DayUnderLabels(model, predicted)
        log_usage = usage.log_share(day.rows)
        logged_of = seen.set_number[day.rows]
        runs = _logged_stretches(logged_of, seen.session[day.rows])
        for k, at in enumerate(runs):
            logged = int(logged_of[at[0]])
            if logged not in candidates:
                continue
            neighbours = {int(logged_of[runs[i][0]]) for i in (k - 1, k + 1) if 0 <= i < len(runs)} - {logged}
            stretch = StretchUnderLabels(day, at, logged)
            known = [f.evidence for f in earlier if f.rows[0] in day.rows[at]]
            free = np.ones(len(at), dtype=bool)
            for e in known:
                free[e.first : e.end] = False
            kept = [judged_again(stretch, e, log_usage[:, at], neighbours) for e in known]
            while len(kept) < MOST_FINDINGS:
                found = best_other_name(stretch, log_usage[:, at], neighbours, free, candidates)
                if found is None or not _worth_naming(found):
                    break
                free[found.first : found.end] = False
                kept.append(found)
            for e in filter(_worth_naming, kept):
                whole = (e.first == 0, e.end == len(at))
                out.append(Finding(day.rows[at[e.first : e.end]], logged, whole, e))
    return out


def _worth_naming(e: Evidence) -> bool:
    better = abs(e.off_likelier) <= max(MOST_MISFIT_LEFT * abs(e.off_logged), FITS)
    return e.chance >= BELIEVED_CHANCE and better and e.log_ratio >= np.log(LEAST_RATIO)


def _logged_stretches(labels: Ints, session: Ints) -> list[Ints]:
    """Runs of windows of one set in one session."""
    cut = np.flatnonzero((np.diff(labels) != 0) | (np.diff(session) != 0)) + 1
    return [a for a in np.split(np.arange(len(labels)), cut) if a.size]


def _row(f: Finding, model: FittedModel, segments: pl.DataFrame, end_of: dict[datetime, datetime]) -> dict[str, object]:
    sets, starts, evidence = model.seen.sets, model.seen.starts, f.evidence
    start, end = starts[f.rows[0]], end_of[starts[f.rows[-1]]]
    start, end = _to_the_borders(segments, sets[f.logged], start, end, f.whole)
    return {
        "start": start,
        "end": end,
        "logged": sets[f.logged],
        "likelier": sets[evidence.set_number],
        "odds": float(np.exp(min(evidence.log_odds, 50.0))),
        "minutes": (end - start).total_seconds() / 60.0,
        "windows": len(f.rows),
        "chance": evidence.chance,
        "off_logged_pct": 100.0 * float(np.expm1(evidence.off_logged)),
        "off_likelier_pct": 100.0 * float(np.expm1(evidence.off_likelier)),
    }


def _to_the_borders(
    segments: pl.DataFrame, logged: str, start: datetime, end: datetime, whole: tuple[bool, bool]
) -> tuple[datetime, datetime]:
    """From the times of windows to the borders of the logged stretch where the finding reaches them."""
    mine = segments.filter((pl.col("sail_set") == logged) & (pl.col("start") < end) & (pl.col("end") > start))
    for first, last in mine.select("start", "end").iter_rows():
        start = min(start, first) if whole[0] else start
        end = max(end, last) if whole[1] else end
    return start, end

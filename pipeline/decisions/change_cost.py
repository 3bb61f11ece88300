"""What each sail change and each manoeuvre cost: tables `sail_changes` and `manoeuvres`.

Progress lost over a fixed span about the change (`progress`). How uncertain one such figure is comes from the season
itself: the same sum over spans in which nothing happened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import AsSailed
from pipeline.decisions.progress import BEAT, REACH, RUN, TURNS, Lost, Progress, progress_of
from pipeline.decisions.sail_change_kinds import SailChange
from pipeline.intervals import HALF_90
from pipeline.sailing.times import seconds
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

# The span about a logged change, before and after: a crew needs longer for larger sails, and the boat to pick up.
LEAST_BEFORE_S, BEFORE_BASE_S, BEFORE_PER_M_S = 60.0, 30.0, 1.5
LEAST_AFTER_S, AFTER_BASE_S, AFTER_PER_M_S = 90.0, 45.0, 3.0
LEAST_QUIET = 12
# Where a season has too few quiet spans to tell: share of the span, from the known boats.
USUAL_ERROR = {BEAT: 0.03, RUN: 0.025, REACH: 0.012}
# A change of course within the span adds this share of it to the error, where the season has too few without a sail
# change to tell; from the known boats.
TURN_ERROR = 0.02
ROUGH = "season's speed"
LEAST_ALIKE = 5


def span_s(loa_m: float) -> tuple[float, float]:
    """Seconds before and after a logged change within which its cost is counted."""
    return (
        max(LEAST_BEFORE_S, BEFORE_BASE_S + BEFORE_PER_M_S * loa_m),
        max(LEAST_AFTER_S, AFTER_BASE_S + AFTER_PER_M_S * loa_m),
    )


@dataclass(frozen=True, slots=True)
class Costs:
    """`sail_changes`: the table, with `kind`, `within` (what else happened in the span), `counted`, `error_s` (standard
    error of `lost_s`). `manoeuvres`: the table, with `lost_s`, `sail_set`, `counted`; bearing away and rounding up with
    a set that has no surface on the other course are held against the season's speed of all sets.
    """

    sail_changes: pl.DataFrame
    manoeuvres: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard errors in seconds: `quiet` by counting and sides ("beat 2"); `typical`: median and standard error of
    each kind of manoeuvre; `turn`: of a manoeuvre in the span.
    """

    quiet: dict[str, float]
    typical: dict[str, tuple[float, float]]
    turn: float

    def of(self, found: Lost, manoeuvres: list[str]) -> float:
        """Of one change with these manoeuvres in its span."""
        parts = [self.quiet[f"{found.counted} {found.sides}"], *[self.turn] * len(manoeuvres)]
        return float(np.linalg.norm([*parts, *(self.typical.get(k, (0.0, 0.0))[1] for k in manoeuvres)]))


def change_costs_of(sailed: AsSailed, fit: SeasonFit, changes: list[SailChange], loa_m: float) -> Costs:
    """Cost of every change and manoeuvre of a season; null where it cannot be told."""
    at_s = seconds(pl.Series([c.time for c in changes], dtype=pl.Datetime("us")))
    if not fit.sets or len(sailed.track) == 0:
        none = [None] * len(changes)
        return Costs(_change_table(changes, none, [""] * len(changes), None), _manoeuvres(sailed, fit, None, loa_m))
    progress = progress_of(sailed, fit, at_s, span_s(loa_m), loa_m)
    manoeuvres = _manoeuvres(sailed, fit, progress, loa_m)
    width_s = sum(span_s(loa_m))
    typical = _typical(progress, at_s, width_s)
    errors = Errors(quiet_errors_s(progress, loa_m), typical, TURN_ERROR * width_s)
    lost, within = [], []
    for change_s in at_s:
        found, others = _of_change(progress, float(change_s), manoeuvres, typical, loa_m)
        lost.append(found)
        within.append(others)
    return Costs(_change_table(changes, lost, within, errors), manoeuvres)


def _of_change(
    progress: Progress, change_s: float, manoeuvres: pl.DataFrame, typical: dict[str, tuple[float, float]], loa_m: float
) -> tuple[Lost | None, str]:
    before, after = span_s(loa_m)
    track = progress.sailed.track
    first, end = (int(i) for i in np.searchsorted(track.time_s, [change_s - before, change_s + after]))
    start_s, end_s = seconds(manoeuvres["start"]), seconds(manoeuvres["end"])
    inside = (start_s < change_s + after) & (end_s > change_s - before)
    kinds = manoeuvres["kind"].to_numpy()[inside].tolist()
    within = " ".join(dict.fromkeys(k.replace(" ", "-") for k in kinds))
    whole = first > 0 and end < len(track) and track.time_s[end] - track.time_s[first] < 1.2 * (before + after)
    if not whole:
        return None, within
    found = progress.lost(first, end, by_speed=bool(kinds))
    if found is None:
        return None, within
    own_s = sum(typical.get(k, (0.0, 0.0))[0] for k in kinds)
    pace = found.metres / found.seconds if found.seconds else 0.0
    return replace(found, metres=found.metres - own_s * pace, seconds=found.seconds - own_s), within


def quiet_errors_s(progress: Progress, loa_m: float) -> dict[str, float]:
    """Standard error in seconds of the sum over one span, by how progress is counted and the sides known ("beat 2").

    From spans without change or manoeuvre, where the truth is 0: half the distance of their 5 and 95 % quantiles over
    1.645, as the tails are long.
    """
    track, width = progress.sailed.track, sum(span_s(loa_m))
    found: dict[str, list[float]] = {}
    step = track.count(width)
    clear = np.concatenate([[0], np.cumsum(progress.busy)])
    k = 0
    while k + step < len(track):
        quiet = clear[k + step] == clear[k] and progress.sailed.segment[k] == progress.sailed.segment[k + step]
        if not quiet or track.time_s[k + step] - track.time_s[k] > 1.2 * width:
            k += track.count(15.0)
            continue
        for by_speed in (False, True):
            for one_side in (False, True):
                lost = progress.lost(k, k + step, by_speed=by_speed, one_side=one_side)
                if lost is not None and not (by_speed and lost.sides == 2 and one_side):
                    found.setdefault(f"{lost.counted} {lost.sides}", []).append(lost.seconds)
        k += step
    out = {f"{c} {n}": USUAL_ERROR[c] * width * (1.5 if n == 1 else 1.0) for c in USUAL_ERROR for n in (1, 2)}
    for name, values in found.items():
        if len(values) >= LEAST_QUIET:
            low, high = np.quantile(values, [0.05, 0.95])
            out[name] = float((high - low) / (2.0 * HALF_90))
    return out


def _manoeuvres(sailed: AsSailed, fit: SeasonFit, progress: Progress | None, loa_m: float) -> pl.DataFrame:
    rough = None if progress is None else progress.roughly(loa_m)
    track = sailed.track
    names = np.array([*fit.sets, None], dtype=object)
    rows = []
    for start, end, kind in sailed.manoeuvres.select("start", "end", "kind").rows():
        first, last = np.searchsorted(track.time_s, seconds(pl.Series([start, end], dtype=pl.Datetime("us"))))
        last = min(int(last) + 1, len(track) - 1)
        lost = None
        if progress is not None and rough is not None and last > first:
            lost = progress.lost(int(first), last, by_speed=kind not in TURNS)
            if lost is None and kind not in TURNS:
                lost = rough.lost(int(first), last, by_speed=True)
                lost = None if lost is None else replace(lost, counted=ROUGH)
        rows.append(
            {
                "start": start,
                "end": end,
                "kind": kind,
                "lost_m": None if lost is None else lost.metres,
                "lost_s": None if lost is None else lost.seconds,
                "sail_set": names[sailed.set_number[first]],
                "counted": None if lost is None else lost.counted,
            }
        )
    return _manoeuvre_table(rows)


def _manoeuvre_table(rows: list[dict[str, object]]) -> pl.DataFrame:
    extra = {"lost_s": pl.Float64(), "sail_set": pl.String(), "counted": pl.String()}
    return TABLES["manoeuvres"].conform(pl.DataFrame(rows, schema={**TABLES["manoeuvres"].columns, **extra}))


def _typical(progress: Progress, change_s: Floats, apart_s: float) -> dict[str, tuple[float, float]]:
    """Median seconds lost by speed and its standard error, by kind of manoeuvre, of those without a sail change."""
    manoeuvres, time_s = progress.sailed.manoeuvres, progress.sailed.track.time_s
    start_s, end_s = seconds(manoeuvres["start"]), seconds(manoeuvres["end"])
    near = np.concatenate([[-np.inf], change_s, [np.inf]])
    at = np.searchsorted(near, start_s)
    alone = np.flatnonzero(np.minimum(start_s - near[at - 1], near[at] - start_s) > apart_s)
    found: dict[str, list[float]] = {}
    for i in alone:
        first, end = np.searchsorted(time_s, [start_s[i], end_s[i]])
        lost = progress.lost(int(first), int(end), by_speed=True) if first < end < len(time_s) else None
        if lost is not None:
            found.setdefault(manoeuvres["kind"][int(i)], []).append(lost.seconds)
    out = {}
    for kind, values in found.items():
        if len(values) >= LEAST_ALIKE:
            low, high = np.quantile(values, [0.05, 0.95])
            out[kind] = (float(np.median(values)), float((high - low) / (2.0 * HALF_90)))
    return out


def _change_table(
    changes: list[SailChange], lost: list[Lost | None], within: list[str], errors: Errors | None
) -> pl.DataFrame:
    rows = []
    for change, found, others in zip(changes, lost, within, strict=True):
        row: dict[str, object] = {
            "time": change.time,
            "from_set": change.from_set,
            "to_set": change.to_set,
            "kind": change.kind,
            "within": others or None,
        }
        if found is not None and errors is not None:
            error = errors.of(found, [k.replace("-", " ") for k in others.split()])
            row |= {
                "lost_m": found.metres,
                "lost_s": found.seconds,
                "lost_low_s": found.seconds - HALF_90 * error,
                "lost_high_s": found.seconds + HALF_90 * error,
                "counted": found.counted,
                "error_s": error,
            }
        rows.append(row)
    extra = {"kind": pl.String(), "within": pl.String(), "counted": pl.String(), "error_s": pl.Float64()}
    schema = {**TABLES["sail_changes"].columns, **extra}
    return TABLES["sail_changes"].conform(pl.DataFrame(rows, schema=schema))

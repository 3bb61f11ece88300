"""The inventory: what each sail is worth, which to take, what the chart lacks, and how the design holds."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.decisions.area_changes import area_changes
from pipeline.decisions.chart_gaps import chart_gaps
from pipeline.decisions.design_speeds import speed_comparison
from pipeline.decisions.judged import Judged, judge, needs
from pipeline.decisions.rating import EXTRA_KEY, Rating, rating_of
from pipeline.decisions.redundancy import set_overlap
from pipeline.decisions.sail_lists import Choice, always_aboard, choose, fringe, limits, sail_lists, sails_judged
from pipeline.decisions.sail_subsets import MOST_SAILS
from pipeline.decisions.season import Season
from pipeline.decisions.worth import Fleet, Worth, worth
from pipeline.tables import TABLES

INVENTORY_EXTRA = {"hours_judged": pl.Float64(), "cost_corrected_s_per_nm": pl.Float64()}
NOTES_SCHEMA: dict[str, pl.DataType] = {"topic": pl.String(), "note": pl.String()}


def take_stock(season: Season) -> dict[str, pl.DataFrame]:
    """Tables `inventory`, `sail_lists`, `inventory_notes`, `set_overlap`, `area_changes`, `chart_gaps` and
    `speed_comparison`; each module states its columns. Empty, typed tables where the season has nothing to say.
    """
    boat, fit = season.campaign.boat, season.fit
    judged = judge(fit, season.log_draws, season.conditions, boat)
    rating = rating_of(boat)
    choice = choose(judged, boat, rating)
    designed, speeds = season.campaign.designed, season.campaign.designed_speeds
    return {
        "inventory": inventory(judged, boat, season.segments, rating),
        "sail_lists": sail_lists(choice),
        "inventory_notes": notes(judged, boat, rating, choice),
        "set_overlap": set_overlap(judged, boat, season.tables.get("crossovers")),
        "area_changes": area_changes(judged, fit, boat, designed, speeds),
        "chart_gaps": chart_gaps(judged, fit, season.log_draws, boat, designed, speeds),
        "speed_comparison": speed_comparison(fit, boat, speeds),
    }


def inventory(judged: Judged, boat: Boat, segments: pl.DataFrame, rating: Rating) -> pl.DataFrame:
    """Table `inventory`, a row a sail, the dearest to leave ashore first; see `worth` for the cost.

    `hours`: flown, by the time line. `share_fastest`: of the hours in which any set is supported. `hours_uncovered`:
    hours in which only sets with this sail are supported, `hours_judged` the others, over which the cost is the mean.
    `cost_corrected_s_per_nm`: the cost on corrected time, with the sail's `rating_delta`. `required`: never proposed
    for leaving ashore, the mainsail included. The costs of two sails do not add up: see `sail_lists` for several.
    """
    fleet = Fleet(judged.where(judged.covered))
    hours = _hours_flown(segments, boat)
    fixed = always_aboard(boat)
    rows = [
        _row(code, worth(fleet, with_sail), hours[code], boat, rating, code in fixed)
        for code, with_sail in zip(boat.sails, needs(judged.sets, boat), strict=True)
    ]
    rows.sort(key=lambda r: -np.inf if r["cost_s_per_nm"] is None else float(r["cost_s_per_nm"]), reverse=True)  # type: ignore[arg-type]
    schema = {**TABLES["inventory"].columns, **INVENTORY_EXTRA}
    return TABLES["inventory"].conform(pl.DataFrame(rows, schema=schema, orient="row"))


def _row(code: str, found: Worth, hours: float, boat: Boat, rating: Rating, required: bool) -> dict[str, object]:
    def plain(value: float) -> float | None:
        return None if np.isnan(value) else float(value)

    sail = boat.sails[code]
    corrected = rating.corrected_loss(found.cost_s_per_nm, found.seconds_without, sail.rating_delta)
    return {
        "sail": code,
        "hours": hours,
        "share_fastest": found.share_fastest,
        "cost_s_per_nm": plain(found.cost_s_per_nm),
        "cost_low": plain(found.cost_low),
        "cost_high": plain(found.cost_high),
        "hours_uncovered": found.hours_uncovered,
        "weight_kg": sail.weight_kg,
        "covered_by": " ".join(found.covered_by),
        "required": required,
        "hours_judged": found.hours_judged,
        "cost_corrected_s_per_nm": plain(corrected),
    }


def _hours_flown(segments: pl.DataFrame, boat: Boat) -> dict[str, float]:
    """Hours of the time line with a set of each sail up."""
    flown = segments.group_by("sail_set").agg(
        ((pl.col("end") - pl.col("start")).dt.total_microseconds() / 3.6e9).sum().alias("hours")
    )
    hours = dict.fromkeys(boat.sails, 0.0)
    for name, time in flown.sort("sail_set").select("sail_set", "hours").iter_rows():
        for code in sails_of(name, boat) or ():
            hours[code] += time
    return hours


def notes(judged: Judged, boat: Boat, rating: Rating, choice: Choice | None) -> pl.DataFrame:
    """`topic, note`: what a reader of the inventory must know of how it was judged, in plain sentences."""
    rows = [("worth", *_hours_note(judged)), *_sails_notes(judged, boat), *_list_notes(judged, boat, choice)]
    if any(s.rating_delta for s in boat.sails.values()):
        known = (
            f"{rating.factor:g}" if rating.given else f"unknown and taken as {rating.factor:g} ([extra] {EXTRA_KEY})"
        )
        rows.append(("rating", f"The time-on-time factor with all sails aboard is {known}."))
    return pl.DataFrame(rows, schema=NOTES_SCHEMA, orient="row")


def _hours_note(judged: Judged) -> tuple[str]:
    total, covered = float(judged.hours.sum()), float(judged.hours[judged.covered].sum())
    return (f"Judged by {covered:.1f} of {total:.1f} hours of conditions: in the others no set is known.",)


def _sails_notes(judged: Judged, boat: Boat) -> list[tuple[str, str]]:
    known = sails_judged(judged, boat)
    fixed = always_aboard(boat)
    unknown = [c for c in boat.sails if c not in known and c not in fixed]
    if not unknown:
        return []
    return [("worth", f"Not known well enough in any of the conditions, so not on any list: {' '.join(unknown)}.")]


def _list_notes(judged: Judged, boat: Boat, choice: Choice | None) -> list[tuple[str, str]]:
    free = [c for c in sails_judged(judged, boat) if c not in always_aboard(boat)]
    if choice is None:
        if len(free) > MOST_SAILS:
            return [("lists", f"{len(free)} sails to choose from are too many: lists are exact up to {MOST_SAILS}.")]
        return [("lists", "No lists: there is no choice of sails with known speeds.")]
    out = []
    left_out = float(judged.hours[fringe(judged, boat)].sum())
    if left_out > 0:
        out.append(("lists", f"{left_out:.2f} hours that only one sail's sets reach were left out of the lists."))
    missing = [c for c in (*choice.fixed, *choice.free) if boat.sails[c].weight_kg is None]
    if missing:
        out.append(("lists", f"Weights are missing, so lists are by number only: {' '.join(missing)}."))
    forced = [c for k, c in enumerate(choice.free) if not choice.covers[(len(choice.number) - 1) ^ (1 << k)]]
    if forced:
        out.append(("lists", f"Without these some conditions have no known set: {' '.join(forced)}."))
    for rule, allowed in limits(choice).items():
        if not allowed.any():
            out.append(("lists", f"No list keeps to {rule}: the sails always aboard exceed it."))
    return out

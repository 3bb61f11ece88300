"""Changes made in races: in time, late, early, or not worth making. Side table `change_review`.

In hindsight: between the change before and the change after, when would this change best have been made? The seconds
gained by the new set over the old one are summed over the winds and angles as sailed; the best moment is where the sum
of what was still to gain is largest. On the other side of a mark one of the sets was usually never sailed; it is then
taken as `unseen` has it, with that doubt in the interval. `known_share` says for how much of the time both are
supported: under a half nothing is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.decisions.change_pools import ChangeCosts
from pipeline.decisions.race_stretches import Pieces, race_names
from pipeline.decisions.sail_change_kinds import SailChange
from pipeline.decisions.surface_lookup import look_up, places_of, supported_at
from pipeline.sailing.times import seconds
from pipeline.surfaces.season import SeasonFit

SCHEMA: dict[str, pl.DataType] = {
    "race": pl.String(),
    "race_start": pl.Datetime("us"),
    "time": pl.Datetime("us"),
    "from_set": pl.String(),
    "to_set": pl.String(),
    "kind": pl.String(),
    "verdict": pl.String(),
    "seconds": pl.Float64(),
    "seconds_low": pl.Float64(),
    "seconds_high": pl.Float64(),
    "minutes_late": pl.Float64(),
    "gain_s": pl.Float64(),
    "cost_s": pl.Float64(),
    "known_share": pl.Float64(),
}
LATE, EARLY, NOT_PAID, IN_TIME = "late", "early", "did not pay", "in time"
# Within the doubt of the surfaces; and nothing known.
UNDECIDED, UNTESTED = "undecided", "untested"
# Nearer than this, or for less than this, a change was in time: logs and winds are no better known.
NEAR_S, LEAST_LOSS_S = 60.0, 2.0
# Share of the time about a change for which anything can be said of both sets.
LEAST_CHARTED = 0.8
# Share of the time for which both sets must be supported, else a verdict would rest on what nobody measured.
LEAST_KNOWN = 0.5
# What was sailed longer ago has nothing to do with the change.
LONGEST_LOOK_S = 1800.0


@dataclass(frozen=True, slots=True)
class _Story:
    """Pieces about a change: their times, and seconds that the new set would gain in each, expected and in draws;
    shares of the time for which both sets are charted at all, and supported.
    """

    start_s: Floats
    end_s: Floats
    gain_s: Floats
    draws_s: Floats
    charted: float
    known: float


def review_changes(
    fit: SeasonFit,
    draws: Floats,
    pieces: Pieces,
    changes: list[SailChange],
    costs: ChangeCosts,
    races: pl.DataFrame | None,
) -> pl.DataFrame:
    """Side table `change_review`: every change within a race; `draws` as `with_unseen` leaves them.

    `seconds`: lost by the change being late or early, or by having been made at all (its cost less its gain), with the
    90 % interval of the surfaces' doubt at that moment. `minutes_late` is negative for an early change.
    """
    at_s = seconds(pl.Series([c.time for c in changes], dtype=pl.Datetime("us")))
    rows = []
    expected = np.where(np.isfinite(fit.log_speed), fit.log_speed, draws.mean(axis=0))
    starts = [] if races is None else races["start"].to_list()
    for number, (race, start) in enumerate(zip(race_names(races), starts, strict=True)):
        mine = np.flatnonzero(pieces.race == number)
        if mine.size == 0:
            continue
        first_s, last_s = pieces.start_s[mine[0]], pieces.end_s[mine[-1]]
        inside = np.flatnonzero((at_s > first_s) & (at_s < last_s))
        bounds = np.concatenate([[first_s], at_s[inside], [last_s]])
        for k, i in enumerate(inside):
            low = max(bounds[k], at_s[i] - LONGEST_LOOK_S)
            high = min(bounds[k + 2], at_s[i] + LONGEST_LOOK_S)
            story = _story(fit, expected, draws, pieces, mine, (low, high), changes[i])
            named = {"race": race, "race_start": start}
            rows.append({**named, **_judged(changes[i], float(at_s[i]), story, costs.seconds_of(changes[i].kind))})
    return pl.DataFrame(rows, schema=SCHEMA)


def _story(
    fit: SeasonFit,
    expected: Floats,
    draws: Floats,
    pieces: Pieces,
    mine: np.ndarray,
    span: tuple[float, float],
    change: SailChange,
) -> _Story | None:
    if change.from_set not in fit.sets or change.to_set not in fit.sets:
        return None
    here = mine[(pieces.end_s[mine] > span[0]) & (pieces.start_s[mine] < span[1])]
    if here.size == 0:
        return None
    both = [fit.sets.index(change.from_set), fit.sets.index(change.to_set)]
    places = places_of(fit, pieces.tws_kn[here], pieces.twa_deg[here])
    start_s, end_s = np.maximum(pieces.start_s[here], span[0]), np.minimum(pieces.end_s[here], span[1])
    time = end_s - start_s
    mean, every = look_up(expected[both], places), look_up(draws[:, both], places)
    charted = np.isfinite(mean).all(axis=0)
    known = supported_at(fit, places)[both].all(axis=0)
    return _Story(
        start_s,
        end_s,
        np.nan_to_num(1.0 - np.exp(mean[0] - mean[1])) * time,
        np.nan_to_num(1.0 - np.exp(every[:, 0] - every[:, 1])) * time,
        *(float((time * flags).sum() / max(time.sum(), 1.0)) for flags in (charted, known)),
    )


def _judged(change: SailChange, at_s: float, story: _Story | None, cost_s: float | None) -> dict[str, object]:
    row: dict[str, object] = {
        "time": change.time,
        "from_set": change.from_set,
        "to_set": change.to_set,
        "kind": change.kind,
        "verdict": UNTESTED,
        "cost_s": cost_s,
    }
    if story is None or story.charted < LEAST_CHARTED or cost_s is None:
        return row
    row["known_share"] = story.known
    if story.known < LEAST_KNOWN:
        return row
    edges = np.append(story.start_s, story.end_s[-1])
    ahead = _ahead(story.gain_s)
    gained = float(np.interp(at_s, edges, ahead))
    best = int(ahead.argmax())
    row["gain_s"] = gained
    if ahead[best] <= cost_s:
        interval = _interval(cost_s - _at(edges, _ahead(story.draws_s), at_s))
        verdict = NOT_PAID if interval["seconds_low"] > 0.0 else UNDECIDED
        return row | {"verdict": verdict, "seconds": cost_s - gained, **interval}
    late_s = at_s - edges[best]
    lost = float(ahead[best]) - gained
    in_time = abs(late_s) < NEAR_S or lost < LEAST_LOSS_S
    every = _ahead(story.draws_s)
    interval = _interval(every[:, best] - _at(edges, every, at_s))
    verdict = IN_TIME if in_time else UNDECIDED if interval["seconds_low"] <= 0.0 else LATE if late_s > 0 else EARLY
    return row | {"verdict": verdict, "seconds": lost, "minutes_late": late_s / 60.0, **interval}


def _ahead(gain_s: Floats) -> Floats:
    """Gain still to come at each edge of the pieces (..., n + 1)."""
    total = np.cumsum(gain_s[..., ::-1], axis=-1)[..., ::-1]
    return np.concatenate([total, np.zeros((*total.shape[:-1], 1))], axis=-1)


def _at(edges: Floats, values: Floats, at_s: float) -> Floats:
    """`values` (draws, edges) at one time."""
    i = int(np.clip(np.searchsorted(edges, at_s) - 1, 0, len(edges) - 2))
    share = np.clip((at_s - edges[i]) / max(edges[i + 1] - edges[i], 1e-9), 0.0, 1.0)
    return values[:, i] * (1.0 - share) + values[:, i + 1] * share


def _interval(draws_s: Floats) -> dict[str, float]:
    low, high = np.quantile(draws_s, [0.05, 0.95])
    return {"seconds_low": float(low), "seconds_high": float(high)}

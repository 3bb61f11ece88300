"""What the wind instruments get wrong, from the computed true wind agreeing with itself.

Steps:

1. Undisturbed sailing is cut into pieces of 30 s (`wind_pieces`).
2. The computed wind of each piece is the true wind's course in time (a Gaussian process fitted to the season, for
   direction and for speed: `wind_course`) plus the answer of the whole chain to each correction (`wind_response`),
   taken leg by leg so that the helm's answer to gusts is no evidence (`wind_legs`, `wind_fit`).
3. The boat's symmetry adds to the offset of the vane, day by day (`wind_symmetry`).
4. All corrections are solved for together, sets shrunk to the boat, days free to differ (`wind_solve`).

Why not the mean step at tacks: on known boats it is less exact by half and more, uses neither bear-aways nor sail
changes, and is biased where crews tack on headers.

Not validated: compass errors that change while sailing, upwash that does not follow the law of `without_upwash`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.angles import Floats, wrap_180
from pipeline.calibration.wind_days import by_day
from pipeline.calibration.wind_fit import BOAT, BY_SET, CHAIN, collect
from pipeline.calibration.wind_pieces import Pieces, pieces_of
from pipeline.calibration.wind_solve import GroundPrior, Solution, solve
from pipeline.calibration.wind_steps import SAIL_CHANGE, wind_steps
from pipeline.calibration.wind_symmetry import DaySymmetry, symmetry_by_day
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat

Key = str | tuple[str, str]

WIND = ("awa_offset_deg", "upwash_deg", "aws_factor")
Z90 = 1.6448536269514722
# What averages over pieces, slips of the sail log and the plainness of the model leave, judged on known boats.
MODEL_SD = {"awa_offset_deg": 0.06, "upwash_deg": 0.12, "aws_factor": 0.003}
# The data can say where the standard deviation is below this: about what moves a border by more than sails differ.
KNOWN_SD = {"awa_offset_deg": 0.7, "upwash_deg": 1.0, "aws_factor": 0.015}
# A set's own departure must come from its own data: their share of what is known of it.
LEAST_OWN_SHARE = 0.4
# Correlations worth a remark.
LEAST_REMARK = 0.7
LEAST_PIECES = 40
_UNITS = {"awa_offset_deg": "deg", "upwash_deg": "deg", "aws_factor": ""}


@dataclass(frozen=True, slots=True)
class WindEstimate:
    """Proposals for the wind's calibration; nothing is applied.

    A parameter is a name, or a name and a sail set. `parameters`: the order of `covariance` (square) and of every
    mapping. `in_use`, `proposed` (what should stand in boat.toml), `low`, `high` (90 % interval), `sd`, `known`
    (False: the data cannot say, leave it blank), `evidence` (a sentence each), `unit`. `counts`: tacks, gybes, bear
    aways, round ups, sail changes, days, minutes used. `correlation`: remarks on what cannot be told apart.
    `per_day`: `day, parameter, estimate, sd` (absolute, the season's other values held; for drift); `steps`: see
    `wind_steps`; `day_offset_sd_deg`: by how much the offset differs from day to day.
    """

    parameters: tuple[Key, ...]
    in_use: Mapping[Key, float]
    proposed: Mapping[Key, float]
    sd: Mapping[Key, float]
    low: Mapping[Key, float]
    high: Mapping[Key, float]
    known: Mapping[Key, bool]
    evidence: Mapping[Key, str]
    unit: Mapping[Key, str]
    covariance: Floats
    counts: Mapping[str, int]
    correlation: tuple[str, ...]
    per_day: pl.DataFrame
    steps: pl.DataFrame
    day_offset_sd_deg: float


def wind_estimate(
    samples_with_wind: pl.DataFrame,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    boat: Boat,
    *,
    ground_prior: GroundPrior | None = None,
) -> WindEstimate:
    """AWA offset, upwash and AWS factor, for the boat and by sail set, with 90 % intervals and evidence.

    `samples_with_wind` as `add_true_wind` leaves it; `segments` and `sessions` as of `sailing`. `ground_prior`: mean
    and covariance of boat-speed factor, heading offset and leeway coefficient (absolute), which wind alone cannot tell
    from upwash and AWS factor; without it they are only weakly known. Where there are too few pieces of undisturbed
    sailing every parameter is unknown and the interval open (infinite).
    """
    pieces, manoeuvres = pieces_of(samples_with_wind, segments, sessions, boat)
    steps = wind_steps(pieces, manoeuvres, segments)
    counts = _counts(steps, pieces)
    boat_in_use, sets_in_use = in_use(pieces, boat)
    if len(pieces) < LEAST_PIECES:
        return _nothing(boat_in_use, counts, steps)
    with threadpool_limits(limits=1, user_api="blas"):
        found = collect(pieces, manoeuvres, boat)
        symmetry = symmetry_by_day(pieces, wrap_180(pieces.awa_deg + pieces.in_use["awa_offset_deg"]), manoeuvres)
        answer = solve(found, symmetry, sets_in_use, boat_in_use, ground_prior)
        per_day = by_day(found, symmetry, answer, boat_in_use, pieces.days, WIND)
    return _as_estimate(answer, symmetry, pieces, boat_in_use, sets_in_use, counts, steps, per_day)


def in_use(pieces: Pieces, boat: Boat) -> tuple[Floats, Floats]:
    """The boat's values in use by `CHAIN` (mean over the pieces, sets' own left out), and the sets' departures."""
    own = boat.calibration.sets
    values = []
    for name in CHAIN:
        given = getattr(boat.calibration.boat, name)
        base = getattr(DEFAULT_CORRECTIONS, name) if given is None else given
        free = np.array([getattr(own.get(s), name, None) is None for s in pieces.sets] + [True])[pieces.sail_set]
        here = pieces.in_use[name][free]
        values.append(float(np.mean(here)) if here.size and boat.calibration.periods else float(base))
    departures = []
    for name in BY_SET:
        for k in range(len(pieces.sets)):
            here = pieces.in_use[name][pieces.sail_set == k]
            departures.append(float(np.mean(here)) - values[CHAIN.index(name)] if here.size else 0.0)
    return np.array(values), np.array(departures)


def _as_estimate(
    answer: Solution,
    symmetry: DaySymmetry,
    pieces: Pieces,
    boat_in_use: Floats,
    sets_in_use: Floats,
    counts: dict[str, int],
    steps: pl.DataFrame,
    per_day: pl.DataFrame,
) -> WindEstimate:
    keys: list[Key] = [*WIND, *((name, s) for name in BY_SET for s in pieces.sets)]
    pick = _pick(len(pieces.sets))
    start = np.concatenate((boat_in_use[[CHAIN.index(n) for n in WIND]], np.zeros(len(keys) - len(WIND))))
    for i in range(len(WIND), len(keys)):
        start[i] = boat_in_use[CHAIN.index(keys[i][0])] + sets_in_use[i - len(WIND)]
    # changes are counted from what is in use, for a set from the set's own
    value = start + pick @ answer.mean
    names = [k if isinstance(k, str) else k[0] for k in keys]
    model = np.diag([MODEL_SD[n] ** 2 for n in names])
    covariance = pick @ answer.covariance @ pick.T + model
    sd = np.sqrt(np.diag(covariance))
    sets = len(pieces.sets)
    own_sd = np.sqrt(np.diag(answer.covariance)[len(BOAT) :])
    share = 1.0 - np.square(own_sd / np.array(answer.set_sd)) if sets else np.zeros(0)
    known = {}
    for i, key in enumerate(keys):
        enough = sd[i] <= KNOWN_SD[names[i]]
        known[key] = bool(enough and (isinstance(key, str) or share[i - len(WIND)] >= LEAST_OWN_SHARE))
    at = dict(zip(keys, range(len(keys)), strict=True))
    minutes = {s: pieces.seconds[pieces.sail_set == k].sum() / 60.0 for k, s in enumerate(pieces.sets)}
    return WindEstimate(
        parameters=tuple(keys),
        in_use={k: float(start[i]) for k, i in at.items()},
        proposed={k: float(value[i]) for k, i in at.items()},
        sd={k: float(sd[i]) for k, i in at.items()},
        low={k: float(value[i] - Z90 * sd[i]) for k, i in at.items()},
        high={k: float(value[i] + Z90 * sd[i]) for k, i in at.items()},
        known=known,
        evidence={k: _evidence(k, counts, minutes, symmetry) for k in keys},
        unit={k: _UNITS[n] for k, n in zip(keys, names, strict=True)},
        covariance=covariance,
        counts=counts,
        correlation=_remarks(answer),
        per_day=per_day,
        steps=steps,
        day_offset_sd_deg=answer.day_offset_sd_deg,
    )


def _pick(sets: int) -> Floats:
    """From the changes to those of the parameters reported: the boat's, then boat and departure together."""
    n = len(BOAT) + len(BY_SET) * sets
    out = np.zeros((len(WIND) + len(BY_SET) * sets, n))
    for i, name in enumerate(WIND):
        out[i, BOAT.index(name)] = 1.0
    for j, name in enumerate(BY_SET):
        for k in range(sets):
            row = len(WIND) + j * sets + k
            out[row, BOAT.index(name)] = 1.0
            out[row, len(BOAT) + j * sets + k] = 1.0
    return out


def _counts(steps: pl.DataFrame, pieces: Pieces) -> dict[str, int]:
    kinds = ("tack", "gybe", "bear away", "round up", SAIL_CHANGE)
    out = {kind: int((steps["kind"] == kind).sum()) for kind in kinds}
    out["days"] = int(np.unique(pieces.day).size)
    out["minutes"] = round(float(pieces.seconds.sum()) / 60.0)
    return out


def _plural(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _evidence(key: Key, counts: Mapping[str, int], minutes: Mapping[str, float], symmetry: DaySymmetry) -> str:
    days = _plural(counts["days"], "day")
    turns = f"{_plural(counts['tack'], 'tack')}, {_plural(counts['gybe'], 'gybe')}"
    legs = f"{counts['bear away'] + counts['round up']} changes of course"
    changes = _plural(counts[SAIL_CHANGE], "sail change")
    if key == "awa_offset_deg":
        boards = int(symmetry.boards.sum())
        return f"{turns}, {legs}; {boards} boards on both tacks over {_plural(len(symmetry.day), 'day')}"
    if isinstance(key, str):
        return f"{turns}, {legs}, {changes} on {days}"
    return f"{minutes[key[1]]:.0f} min with {key[1]}; {changes} in all"


def _remarks(answer: Solution) -> tuple[str, ...]:
    sd = np.sqrt(np.diag(answer.covariance)[: len(CHAIN)])
    correlation = answer.covariance[: len(CHAIN), : len(CHAIN)] / np.outer(sd, sd)
    out = []
    for i in range(len(CHAIN)):
        for j in range(i + 1, len(CHAIN)):
            if abs(correlation[i, j]) >= LEAST_REMARK:
                out.append(
                    f"{CHAIN[i]} and {CHAIN[j]} can hardly be told apart (correlation {correlation[i, j]:+.2f}): "
                    "what is given to one is taken from the other."
                )
    return tuple(out)


def _nothing(boat_in_use: Floats, counts: dict[str, int], steps: pl.DataFrame) -> WindEstimate:
    keys: tuple[Key, ...] = WIND
    start = {k: float(boat_in_use[CHAIN.index(str(k))]) for k in keys}
    return WindEstimate(
        parameters=keys,
        in_use=start,
        proposed=start,
        sd=dict.fromkeys(keys, float("inf")),
        low=dict.fromkeys(keys, float("-inf")),
        high=dict.fromkeys(keys, float("inf")),
        known=dict.fromkeys(keys, False),
        evidence=dict.fromkeys(keys, f"too little undisturbed sailing: {counts['minutes']} min"),
        unit={k: _UNITS[str(k)] for k in keys},
        covariance=np.diag(np.full(len(keys), np.inf)),
        counts=counts,
        correlation=(),
        per_day=pl.DataFrame(
            schema={"day": pl.Date(), "parameter": pl.String(), "estimate": pl.Float64(), "sd": pl.Float64()}
        ),
        steps=steps,
        day_offset_sd_deg=float("nan"),
    )

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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from pipeline.angles import Floats, wrap_180
from pipeline.calibration.wind_days import SCHEMA as DAYS_SCHEMA
from pipeline.calibration.wind_days import by_day
from pipeline.calibration.wind_fit import BOAT, BY_SET, CHAIN, collect
from pipeline.calibration.wind_pieces import Pieces, pieces_of
from pipeline.calibration.wind_solve import SETS_DIFFER_BELOW, GroundPrior, Solution, solve
from pipeline.calibration.wind_steps import SAIL_CHANGE, wind_steps
from pipeline.calibration.wind_symmetry import DaySymmetry, symmetry_by_day
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat
from pipeline.intervals import HALF_90

Key = str | tuple[str, str]

WIND = ("awa_offset_deg", "upwash_deg", "aws_factor")
# What averages over pieces, slips of the sail log and the plainness of the model leave, judged on known boats.
MODEL_SD = {"awa_offset_deg": 0.06, "upwash_deg": 0.12, "aws_factor": 0.004}
# A set has fewer days and fewer changes than the boat, so a slip of the log weighs more; and a season has a dozen
# intervals, which must all hold "no change" for a boat that needs none.
SET_MODEL_SD = {"upwash_deg": 0.18, "aws_factor": 0.004}
# The data can say where the standard deviation is below this: about what moves a border by more than sails differ.
KNOWN_SD = {"awa_offset_deg": 0.7, "upwash_deg": 1.0, "aws_factor": 0.015}
# A set's own value is given where its own data had a say in it, be it a small one: it is drawn to the boat's as far as
# they are weak, so it is nearer the truth than the boat's value alone (on known boats borders err less by it).
LEAST_OWN_SHARE = 0.1
# Correlations worth a remark.
LEAST_REMARK = 0.7
LEAST_PIECES = 40


@dataclass(frozen=True, slots=True)
class WindEstimate:
    """Proposals for the wind's calibration; nothing is applied.

    A parameter is a name, or a name and a sail set. Arrays and tuples are in the order of `parameters`, the boat's
    three first. `proposed`: what should stand in boat.toml; `sd`, `covariance`; `low`, `high`: 90 % interval, for the
    sets jointly until their upwash is all but certainly not as in use; all NaN where nothing could be estimated.
    `in_use` by parameter; `known`: False where the data cannot say, to be left blank;
    `evidence`: what it rests on. `counts`: tacks, gybes, bear aways, round ups, sail changes, days, minutes used.
    `correlation`: remarks on what cannot be told apart. `per_day`: see `wind_days.by_day`, for drift; `steps`: see
    `wind_steps.wind_steps`. `day_offset_sd_deg`: by how much the offset differs from day to day.
    """

    parameters: tuple[Key, ...]
    in_use: Mapping[Key, float]
    proposed: Floats
    sd: Floats
    covariance: Floats
    low: Floats
    high: Floats
    known: tuple[bool, ...]
    evidence: tuple[str, ...]
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
    sailing every parameter is unknown and its numbers are NaN. Deterministic.
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
    model = np.diag([(MODEL_SD[k] if isinstance(k, str) else SET_MODEL_SD[k[0]]) ** 2 for k in keys])
    covariance = pick @ answer.covariance @ pick.T + model
    sd = np.sqrt(np.diag(covariance))
    known = _known(names, sd, answer)
    reach = sd * [HALF_90 if isinstance(k, str) else set_quantile(keys, known, k[0], answer) for k in keys]
    minutes = {s: pieces.seconds[pieces.sail_set == k].sum() / 60.0 for k, s in enumerate(pieces.sets)}
    return WindEstimate(
        parameters=tuple(keys),
        in_use=dict(zip(keys, start.tolist(), strict=True)),
        proposed=value,
        sd=sd,
        covariance=covariance,
        low=value - reach,
        high=value + reach,
        known=known,
        evidence=tuple(_evidence(k, counts, minutes, symmetry) for k in keys),
        counts=counts,
        correlation=_remarks(answer),
        per_day=per_day,
        steps=steps,
        day_offset_sd_deg=answer.day_offset_sd_deg,
    )


def set_quantile(keys: Sequence[Key], known: Sequence[bool], name: str, answer: Solution) -> float:
    """Half width, in standard deviations, of a set's 90 % interval.

    Each alone, one of ten sets would be corrected on a boat that needs nothing. So they hold for all of a boat's sets
    together nine times in ten (Bonferroni; the sets' errors agree little), until the sets as a whole have shown that
    their upwash is not as in use: then each stands for itself (Fisher's protected comparison).
    """
    if name == "upwash_deg" and answer.sets_as_in_use < SETS_DIFFER_BELOW:
        return HALF_90
    count = sum(k for key, k in zip(keys, known, strict=True) if not isinstance(key, str) and key[0] == name)
    return float(ndtri(1.0 - 0.05 / max(count, 1)))


def _known(names: Sequence[str], sd: Floats, answer: Solution) -> tuple[bool, ...]:
    """Whether the data can say: the boat's own where narrow enough, a set's where its own data had a share in it."""
    narrow = [bool(s <= KNOWN_SD[n]) for n, s in zip(names, sd, strict=True)]
    own_sd = np.sqrt(np.diag(answer.covariance)[len(BOAT) :])
    share = 1.0 - np.square(own_sd / np.array(answer.set_sd))
    own = [True] * len(WIND) + [bool(x >= LEAST_OWN_SHARE) for x in share]
    return tuple(a and b for a, b in zip(narrow, own, strict=True))


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
        return f"{turns}, {legs}; {boards} boards on both tacks over {_plural(np.unique(symmetry.day).size, 'day')}"
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
    unknown = np.full(len(WIND), np.nan)
    return WindEstimate(
        parameters=WIND,
        in_use={k: float(boat_in_use[CHAIN.index(k)]) for k in WIND},
        proposed=unknown,
        sd=unknown,
        covariance=np.full((len(WIND), len(WIND)), np.nan),
        low=unknown,
        high=unknown,
        known=(False,) * len(WIND),
        evidence=(f"too little undisturbed sailing: {counts['minutes']} min",) * len(WIND),
        counts=counts,
        correlation=(),
        per_day=pl.DataFrame(schema=DAYS_SCHEMA),
        steps=steps,
        day_offset_sd_deg=float("nan"),
    )

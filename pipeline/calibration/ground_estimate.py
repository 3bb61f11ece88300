"""Boat speed, heading, deviation and leeway against the ground, the current estimated at the same time.

Velocity over ground is velocity through the water plus the current. Over a season of legs on many courses, the current
smooth in time and unknown, that tells the errors of log and compass (they turn with the boat) from the current (it does
not). Steps: legs and bits (`legs`), delays of the sensors found in the turns and compensated (`ground_delay`), then
generalised least squares with the current as a Gaussian process (`ground_current`, `ground_model`, `ground_fit`).

Chosen by figures over 12 simulated seasons (root mean square error of speed factor, heading offset; share of 90 %
intervals of the factor that hold): pairs of reciprocal courses 0.25 %, 0.11 deg, no interval; least squares with a
constant current a session 0.21 %, 0.07 deg, 0.25, every half hour 0.09 %, 0.03 deg, 0.17; this one 0.03 %, 0.01 deg,
0.92. A current held constant leaves its change in the estimate and makes the interval far too narrow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import t as student_t

from pipeline.angles import Floats, wrap_360
from pipeline.calibration.ground_current import current_of
from pipeline.calibration.ground_delay import Delay, compensated, estimate_delays
from pipeline.calibration.ground_evidence import GroundEvidence, evidence_of
from pipeline.calibration.ground_fit import Fit, fit
from pipeline.calibration.ground_model import (
    DEVIATION,
    FACTOR,
    HEEL,
    LEEWAY,
    MEASURED,
    NONE,
    NUMBER,
    OFFSET,
    PRIOR_SD,
    SLOPE,
    START,
    TACK,
    course_of,
)
from pipeline.calibration.legs import Bits, Motion, find_bits, motion_of
from pipeline.campaign.settings import Boat
from pipeline.sailing.corrections_in_force import corrections_in_force

DEVIATIONS = ("deviation_sin_deg", "deviation_cos_deg", "deviation_sin2_deg", "deviation_cos2_deg")
PARAMETERS = (
    "boat_speed_factor",
    "boat_speed_factor_starboard",
    "boat_speed_factor_port",
    "boat_speed_slope",
    "heading_offset_deg",
    *DEVIATIONS,
    "leeway_coefficient",
)
UNITS = dict(zip(PARAMETERS, ("", "", "", "1/kn", *["deg"] * 5, "deg kn^2/deg"), strict=True))
# A 90 % interval wider than this each way is no proposal: less than half of what the prior alone would leave, and too
# wide to be of use. For the difference of the tacks see `_TACK_HALF_WIDTH`.
MOST_HALF_WIDTH = dict(zip(PARAMETERS, (0.025, 0.025, 0.025, 0.003, 1.5, 1.5, 1.5, 0.8, 0.8, 3.0), strict=True))
_TACK_HALF_WIDTH = 0.012
LEAST_BITS = 20
# Without so many legs that have another on a clearly different course within the hour, an error of log or compass
# cannot be told from the current, whatever the arithmetic says.
LEAST_TURNED = 6
# Of the t-distribution that intervals are taken from: the days' number less one, but no fewer than this.
LEAST_FREEDOM = 3
# The current is left out where the calibration leaves it more doubtful than this.
MOST_CURRENT_SD_KN = 0.35
# Parameters that each day is asked for by itself.
DAILY = {FACTOR: "boat_speed_factor", OFFSET: "heading_offset_deg", LEEWAY: "leeway_coefficient"}
# The current is drawn between bits no further apart than this.
LONGEST_BRIDGE_S = 360.0
CANNOT_SAY = "the data cannot say"
TOO_FEW_COURSES = "too few legs on different courses within the hour to tell it from the current"
_MINUTE_S, _DAY_S = 60.0, 86400.0
_CURRENT = {"time": pl.Datetime("us"), "set_deg": pl.Float64, "drift_kn": pl.Float64, "sd_kn": pl.Float64}
_PER_DAY = {"day": pl.Date, "parameter": pl.String, "estimate": pl.Float64, "sd": pl.Float64}


@dataclass(frozen=True, slots=True)
class GroundEstimate:
    """Values that should stand in `boat.toml`, arrays in the order of `parameters`.

    `in_use`: what the samples were corrected with (of most samples where periods differ). `proposed`: the correction in
    use and the error found together; `sd`, `covariance`; `low`, `high`: 90 % interval; all NaN where nothing could be
    estimated. `known`: False where the data cannot say (the numbers are then of no use by themselves); `evidence` says
    why, or what the value rests on. `current`: `time, set_deg, drift_kn, sd_kn` each minute where estimated, `sd_kn`
    being the doubt that the calibration leaves in it. `per_day`: `day, parameter, estimate, sd`, each day (UTC) by
    itself with one deviation curve, slope and difference of tacks for all. `delays`: of boat speed, heading and
    apparent wind against the ground; the first two are compensated here, bits average over the third.
    """

    parameters: tuple[str, ...]
    in_use: Mapping[str, float]
    proposed: Floats
    sd: Floats
    covariance: Floats
    low: Floats
    high: Floats
    known: tuple[bool, ...]
    evidence: tuple[str, ...]
    current: pl.DataFrame
    per_day: pl.DataFrame
    delays: tuple[Delay, ...] = ()


def ground_estimate(samples: pl.DataFrame, boat: Boat, *, sessions: pl.DataFrame) -> GroundEstimate:
    """Estimate from samples with wind (columns of `WindOfSamples.samples`) and sessions (`session, start, end`).

    Samples without speed through the water, heading, or speed and course over ground are passed over. Never raises for
    want of data: what cannot be said is marked so. Deterministic. Heading deviation is of the heading as logged.
    """
    in_use = _in_use(samples, boat)
    motion = motion_of(samples, sessions)
    missing = _missing(motion)
    if missing:
        return _nothing(in_use, f"{CANNOT_SAY}: {missing}")
    delays = estimate_delays(motion, boat.loa_m)
    motion = compensated(motion, delays[0].told, delays[1].told)
    bits = find_bits(motion, boat.loa_m)
    if len(bits) < LEAST_BITS:
        return _nothing(in_use, f"{CANNOT_SAY}: only {len(bits)} bits of steady sailing with all channels")
    course = course_of(motion, bits)
    found = fit(course, bits, in_use["leeway_coefficient"])
    value, jacobian = _proposals(found.value, in_use)
    covariance = jacobian @ found.covariance @ jacobian.T
    sd = np.sqrt(np.diag(covariance))
    day = np.floor(bits.time_s / _DAY_S).astype(np.int64)
    twa = np.bincount(course.bit, np.abs(motion.twa_deg[bits.bit >= 0]), len(bits)) / np.bincount(course.bit)
    seen = evidence_of(bits, found.at, twa, day)
    # both tails together 10 per cent
    quantile = float(student_t.ppf(0.95, max(seen.days - 1, LEAST_FREEDOM)))
    half = quantile * sd
    known = _known(half, quantile * float(np.sqrt(found.covariance[TACK, TACK])), course.source, seen)
    if course.source != HEEL:
        for array in (value, sd, half):
            array[PARAMETERS.index("leeway_coefficient")] = np.nan
    return GroundEstimate(
        parameters=PARAMETERS,
        in_use=in_use,
        proposed=value,
        sd=sd,
        covariance=covariance,
        low=value - half,
        high=value + half,
        known=known,
        evidence=_evidence(known, half, seen, delays, course.source, course.reference_kn),
        current=_current(found, bits),
        per_day=_per_day(found, bits, day, in_use, course.source),
        delays=delays,
    )


def _in_use(samples: pl.DataFrame, boat: Boat) -> dict[str, float]:
    sets = samples["sail_set"] if "sail_set" in samples.columns else pl.Series([None] * samples.height, dtype=pl.String)
    force = corrections_in_force(boat.calibration, samples["time"], sets)
    middle = {k: float(np.median(v)) if len(v) else float("nan") for k, v in force.items()}
    factor = middle["boat_speed_factor"]
    out = dict.fromkeys(PARAMETERS, 0.0)
    out |= dict.fromkeys(PARAMETERS[:3], factor)
    return out | {p: middle[p] for p in ("heading_offset_deg", "leeway_coefficient")}


def _missing(motion: Motion) -> str:
    for values, what in (
        (motion.bsp_kn, "no speed through the water is logged"),
        (motion.hdg_deg, "no heading is logged, or none that can be made true"),
        (motion.north_kn, "no speed and course over ground are logged"),
        (motion.twa_deg, "no wind is logged to tell the tacks by"),
    ):
        if not np.isfinite(values).any():
            return what
    return ""


def _proposals(value: Floats, in_use: Mapping[str, float]) -> tuple[Floats, Floats]:
    """Parameters as they should stand in `boat.toml`, and their change with the model's own."""
    base = in_use["boat_speed_factor"]
    factor, tack, slope = value[FACTOR], value[TACK], value[SLOPE]
    out = np.empty(len(PARAMETERS))
    jacobian = np.zeros((len(PARAMETERS), NUMBER))
    for row, side in enumerate((0.0, 1.0, -1.0)):
        out[row] = base * factor * (1.0 + side * tack)
        jacobian[row, FACTOR], jacobian[row, TACK] = base * (1.0 + side * tack), base * factor * side
    out[3] = base * factor * slope
    jacobian[3, FACTOR], jacobian[3, SLOPE] = base * slope, base * factor
    out[4] = in_use["heading_offset_deg"] + value[OFFSET]
    out[5:9] = value[DEVIATION]
    out[9] = value[LEEWAY]
    jacobian[4:10, OFFSET : LEEWAY + 1] = np.eye(6)
    return out, jacobian


def _known(half: Floats, tack_half: float, source: str, seen: GroundEvidence) -> tuple[bool, ...]:
    if seen.turned < LEAST_TURNED:
        return (False,) * len(PARAMETERS)
    known = [bool(h <= MOST_HALF_WIDTH[p]) for p, h in zip(PARAMETERS, half, strict=True)]
    known[1] &= tack_half <= _TACK_HALF_WIDTH
    known[2] &= tack_half <= _TACK_HALF_WIDTH
    known[9] &= source == HEEL
    return tuple(known)


def _evidence(
    known: tuple[bool, ...],
    half: Floats,
    seen: GroundEvidence,
    delays: tuple[Delay, ...],
    source: str,
    reference_kn: float,
) -> tuple[str, ...]:
    late = "; ".join(
        f"{d.channel} {abs(d.told):.1f} s {'behind' if d.told > 0 else 'ahead of'} the ground's, compensated"
        for d in delays[:2]
        if abs(d.told) >= 0.05
    )
    rests = f"{seen.said}; current estimated at the same time" + (f"; {late}" if late else "")
    out = []
    for name, told, h in zip(PARAMETERS, known, half, strict=True):
        text = rests
        if name == "leeway_coefficient" and source == MEASURED:
            text = f"{CANNOT_SAY}: leeway is measured, the coefficient is not used"
        elif name == "leeway_coefficient" and source == NONE:
            text = f"{CANNOT_SAY}: neither heel nor leeway is logged"
        elif not told:
            why = TOO_FEW_COURSES if seen.turned < LEAST_TURNED else _unfit(name, h)
            text = f"{CANNOT_SAY}: {why} ({rests})"
        elif name.startswith("boat_speed"):
            text = f"{rests}; at {reference_kn:.1f} kn"
        out.append(text)
    return tuple(out)


def _unfit(name: str, half: float) -> str:
    size = f"{100 * half:.1f} %" if name.startswith("boat_speed_factor") else f"{half:.2g} {UNITS[name]}"
    return f"the interval is {size} each way, more courses in a short time would narrow it"


def _current(found: Fit, bits: Bits) -> pl.DataFrame:
    """The current on whole minutes, between bits of one block."""
    step = found.value - found.about
    north, east = current_of(found.solved.states @ np.concatenate(([1.0], -step)))
    by_parameter = np.stack([current_of(found.solved.states[:, :, 1 + j]) for j in range(NUMBER)], axis=2)
    variance = np.einsum("anj,jk,ank->n", by_parameter, found.covariance, by_parameter)
    sd = np.sqrt(np.maximum(variance, 0.0))
    t = bits.time_s
    rows: list[Floats] = []
    for block in np.unique(bits.block):
        here = np.flatnonzero(bits.block == block)
        at, half = t[here], 0.5 * bits.length_s[here]
        minute = np.arange(np.ceil((at[0] - half[0]) / _MINUTE_S), np.floor((at[-1] + half[-1]) / _MINUTE_S) + 1)
        minute = minute * _MINUTE_S
        after = np.clip(np.searchsorted(at, minute), 1, max(len(at) - 1, 1))
        if len(at) > 1:
            apart = at[after] - at[after - 1]
            minute = minute[(apart <= LONGEST_BRIDGE_S) | (minute < at[0]) | (minute > at[-1])]
        rows.append(np.column_stack([minute, *(np.interp(minute, at, v[here]) for v in (north, east, sd))]))
    time_s, n, e, doubt = np.concatenate(rows).T
    frame = pl.DataFrame(
        {
            "time": pl.Series((time_s * 1e6).astype(np.int64)).cast(pl.Datetime("us")),
            "set_deg": wrap_360(np.degrees(np.arctan2(e, n))),
            "drift_kn": np.hypot(n, e),
            "sd_kn": doubt,
        }
    )
    frame = frame.filter(pl.col("sd_kn") <= MOST_CURRENT_SD_KN)
    return frame.unique("time", keep="first", maintain_order=True).sort("time")


def _per_day(found: Fit, bits: Bits, day: np.ndarray, in_use: Mapping[str, float], source: str) -> pl.DataFrame:
    """Each day's own factor, offset and leeway, the other parameters shared.

    The shared ones are taken from the differences within days only, so that a step between days does not bend them.
    """
    free = [p for p in DAILY if p != LEEWAY or source == HEEL]
    held = [p for p in range(NUMBER) if p not in free]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(bits.block) != 0)))
    days, of_block = np.unique(day[starts], return_inverse=True)
    normal, right = np.zeros((len(days), NUMBER, NUMBER)), np.zeros((len(days), NUMBER))
    np.add.at(normal, of_block, found.solved.normal)
    np.add.at(right, of_block, found.solved.right)
    own = normal[:, free][:, :, free] + np.diag(PRIOR_SD[free] ** -2.0)
    mixed, own_right = normal[:, free][:, :, held], right[:, free]
    gain = np.linalg.solve(own, mixed)
    shared = (normal[:, held][:, :, held] - mixed.transpose(0, 2, 1) @ gain).sum(axis=0) + np.diag(
        PRIOR_SD[held] ** -2.0
    )
    pull = (right[:, held] - np.einsum("dfh,df->dh", gain, own_right)).sum(axis=0)
    pull = pull + (START[held] - found.about[held]) / PRIOR_SD[held] ** 2
    step = np.linalg.solve(shared, pull)
    rows = []
    for k, number in enumerate(days):
        covariance = np.linalg.inv(own[k])
        # the prior keeps a day without information near the season's value; it is so wide that no other day feels it
        to_season = (found.value[free] - found.about[free]) / PRIOR_SD[free] ** 2
        value = found.about.copy()
        value[held] += step
        value[free] += covariance @ (own_right[k] - mixed[k] @ step + to_season)
        estimate, jacobian = _proposals(value, in_use)
        full = np.zeros((NUMBER, NUMBER))
        full[np.ix_(free, free)] = covariance
        sd = np.sqrt(np.diag(jacobian @ full @ jacobian.T))
        for p in free:
            i = PARAMETERS.index(DAILY[p])
            rows.append((int(number), DAILY[p], float(estimate[i]), float(sd[i])))
    frame = pl.DataFrame(rows, schema={**_PER_DAY, "day": pl.Int32}, orient="row")
    return frame.with_columns(pl.col("day").cast(pl.Date))


def _nothing(in_use: Mapping[str, float], why: str) -> GroundEstimate:
    n = len(PARAMETERS)
    blank = np.full(n, np.nan)
    return GroundEstimate(
        parameters=PARAMETERS,
        in_use=in_use,
        proposed=blank,
        sd=blank,
        covariance=np.full((n, n), np.nan),
        low=blank,
        high=blank,
        known=(False,) * n,
        evidence=(why,) * n,
        current=pl.DataFrame(schema=_CURRENT),
        per_day=pl.DataFrame(schema=_PER_DAY),
    )

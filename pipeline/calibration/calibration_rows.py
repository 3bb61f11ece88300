"""From estimates and drift to proposals: one row a parameter, and one a period where it changed in mid-season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np
import polars as pl

from pipeline.calibration.drift_steps import Course
from pipeline.calibration.proposals import UNITS, Proposal
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat, Calibration
from pipeline.intervals import HALF_90
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.tables import TABLES

# Samples enough to say what a change would move, and where a boat counts as sailing upwind and downwind.
MOST_SAMPLES = 4000
UPWIND_DEG, DOWNWIND_DEG = 70.0, 115.0


@dataclass(frozen=True, slots=True)
class Found:
    """One parameter as estimated: `change` of the value in use, its 90 % interval, whether the data can say, evidence.

    `sail_set` None: the boat's own value.
    """

    parameter: str
    sail_set: str | None
    change: float
    low: float
    high: float
    known: bool
    evidence: str


def beginning_of(day: date, sessions: pl.DataFrame) -> datetime:
    """When a state that holds from `day` on begins: midnight UTC, or the end of a session that ran over it."""
    midnight = datetime(day.year, day.month, day.day)
    over = sessions.filter((pl.col("start") < midnight) & (pl.col("end") >= midnight))["end"]
    return midnight if over.is_empty() else over.max()  # type: ignore[return-value]


def value_in_use(calibration: Calibration, parameter: str, at: datetime | None, sail_set: str | None = None) -> float:
    """The value in force at a time (None: at the season's beginning, before every period)."""
    own = getattr(calibration.sets.get(sail_set or ""), parameter, None)
    if own is not None:
        return float(own)
    value = getattr(calibration.boat, parameter)
    for start, corrections in calibration.periods:
        given = getattr(corrections, parameter)
        if given is not None and at is not None and start <= at:
            value = given
    return float(getattr(DEFAULT_CORRECTIONS, parameter) if value is None else value)


def proposals_of(found: Found, course: Course | None, boat: Boat, sessions: pl.DataFrame) -> list[Proposal]:
    """Rows of one parameter, in order of time, without gap or overlap.

    Cut where the calibration in use changes and where the course does. `course` is that of the change needed.
    """
    calibration = boat.calibration
    drift = course if course is not None and course.changes and found.known and found.sail_set is None else None
    cuts: set[datetime] = set()
    if found.sail_set is None:
        cuts |= {start for start, c in calibration.periods if getattr(c, found.parameter) is not None}
    if drift is not None:
        cuts |= {beginning_of(s.first, sessions) for s in drift.stretches if s.first is not None}
    starts: list[datetime | None] = [None, *sorted(cuts)]
    rows = []
    for start, end in zip(starts, [*starts[1:], None], strict=True):
        in_use = value_in_use(calibration, found.parameter, start, found.sail_set)
        change, low, high, said = found.change, found.low, found.high, found.evidence
        if drift is not None:
            at = [s for s in drift.stretches if s.first is None or (start and _begun(s.first, start, sessions))][-1]
            change, low, high = at.estimate, at.estimate - HALF_90 * at.sd, at.estimate + HALF_90 * at.sd
            said = f"{at.days} days of this period by themselves; {found.evidence}"
        values = (in_use + change, in_use + low, in_use + high) if found.known else (None, None, None)
        rows.append(Proposal(found.parameter, found.sail_set, start, end, in_use, *values, said))
    return rows


def _begun(day: date, at: datetime, sessions: pl.DataFrame) -> bool:
    return beginning_of(day, sessions) <= at


def calibration_table(
    proposals: Sequence[Proposal], samples: pl.DataFrame, sail_set: pl.Series, boat: Boat
) -> pl.DataFrame:
    """Table `calibration` of the proposals, with what each would move.

    `samples` as logged (with or without computed columns), `sail_set` the set at each of them.
    """
    every = max(1, samples.height // MOST_SAMPLES)
    thin = samples.with_columns(sail_set.alias("_set")).gather_every(every)
    rows = []
    for p in proposals:
        rows.append(
            {
                "parameter": p.parameter,
                "sail_set": p.sail_set,
                "from": p.start,
                "until": p.end,
                "unit": UNITS[p.parameter],
                "in_use": p.in_use,
                "proposed": p.proposed,
                "proposed_low": p.low,
                "proposed_high": p.high,
                "evidence": p.evidence,
                "verdict": p.verdict,
                **moves(p, thin, boat),
            }
        )
    table = TABLES["calibration"]
    frame = pl.DataFrame(rows, schema_overrides=table.columns) if rows else table.empty()
    return table.conform(frame)


def proposals_from(table: pl.DataFrame) -> list[Proposal]:
    """The proposals that a table `calibration` holds."""
    names = (
        "parameter",
        "sail_set",
        "from",
        "until",
        "in_use",
        "proposed",
        "proposed_low",
        "proposed_high",
        "evidence",
    )
    return [Proposal(*row) for row in table.select(names).iter_rows()]


def moves(p: Proposal, thin: pl.DataFrame, boat: Boat) -> dict[str, float | None]:
    """By how much the proposal would move the true wind where it applies: medians of |change of TWA| and of TWS."""
    names = [f"moves_{what}{mode}" for mode in ("", "_upwind", "_downwind") for what in ("twa_deg", "tws_kn")]
    blank: dict[str, float | None] = dict.fromkeys(names)
    here = thin
    if p.start is not None:
        here = here.filter(pl.col("time") >= p.start)
    if p.end is not None:
        here = here.filter(pl.col("time") < p.end)
    if p.sail_set is not None:
        here = here.filter(pl.col("_set") == p.sail_set)
    if p.proposed is None or here.is_empty():
        return blank
    wind = [_computed(here, boat, p, value) for value in (p.in_use, p.proposed)]
    twa, tws = (wind[1][i] - wind[0][i] for i in (0, 1))
    twa = np.abs(np.mod(twa + 180.0, 360.0) - 180.0)
    angle = np.abs(wind[0][0])
    for mode, use in (("", angle >= 0), ("_upwind", angle < UPWIND_DEG), ("_downwind", angle > DOWNWIND_DEG)):
        known = use & np.isfinite(twa) & np.isfinite(tws)
        if known.any():
            blank[f"moves_twa_deg{mode}"] = float(np.median(twa[known]))
            blank[f"moves_tws_kn{mode}"] = float(np.median(tws[known]))
    return blank


def _computed(samples: pl.DataFrame, boat: Boat, p: Proposal, value: float) -> tuple[np.ndarray, np.ndarray]:
    """TWA and TWS with one parameter at `value` for all samples, the others as in use."""
    calibration = boat.calibration
    one = {p.parameter: value}
    without = {p.parameter: None}
    changed = Calibration(
        replace(calibration.boat, **one),
        tuple((start, replace(c, **without)) for start, c in calibration.periods),
        {name: replace(c, **without) for name, c in calibration.sets.items()}
        if p.sail_set is not None
        else calibration.sets,
    )
    out = add_true_wind(samples.drop("_set"), replace(boat, calibration=changed), samples["_set"]).samples
    return out["twa_deg"].cast(pl.Float64).to_numpy(), out["tws_kn"].cast(pl.Float64).to_numpy()

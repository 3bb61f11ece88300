"""Races: what was lost in each and in its stretches, and how much of it is beyond doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.crossovers.best import CLEAR_PROBABILITY
from pipeline.decisions.race_stretches import race_names
from pipeline.reporting.numbers import Numbers, plural
from pipeline.reporting.records.chart import grid_step
from pipeline.reporting.records.lookup import Speed
from pipeline.reporting.records.wording import named

MOST_STRETCHES, MOST_RACES = 30, 60


@dataclass(frozen=True, slots=True)
class RaceTotal:
    """One race, minutes and seconds. `loss_s` against the sets measured fastest, `low_s` to `high_s` against the truly
    fastest ones, `beyond_doubt_s` the part that no doubt takes away. None where the race cannot be judged.
    """

    race: str
    start: datetime
    minutes: float
    covered_minutes: float
    loss_s: float | None
    low_s: float | None
    high_s: float | None
    beyond_doubt_s: float | None
    changes: int
    late: int
    early: int
    unpaid: int


@dataclass(frozen=True, slots=True)
class RaceStretch:
    """One stretch in which a slower set was up. `likelier`: the set that the tag audit believes was up instead.

    `flown_speed`, `measured_speed`: their surfaces at the stretch's mean wind; None where not supported.
    """

    race: str
    start: datetime
    end: datetime
    flown: str
    measured: str
    designed: str | None
    likelier: str | None
    tws_kn: float | None
    twa_deg: float | None
    minutes: float
    loss_s: float
    low_s: float | None
    high_s: float | None
    loss_pct: float | None
    chance_slower: float | None
    flown_speed: Speed | None = None
    measured_speed: Speed | None = None

    @property
    def beyond_doubt(self) -> bool:
        """Whether the other set was surely faster."""
        return self.chance_slower is not None and self.chance_slower >= CLEAR_PROBABILITY


@dataclass(frozen=True, slots=True)
class Races:
    """`totals` and `worst` by loss. `more`: stretches with a loss that are not among the worst; `lossless`: those with
    the fastest set up; `unjudged`: those where the set flown is not known, with their minutes. `silent`: races in which
    nothing was logged.
    """

    totals: tuple[RaceTotal, ...]
    worst: tuple[RaceStretch, ...]
    more: int
    lossless: int
    unjudged: int
    unjudged_minutes: float
    silent: tuple[str, ...]

    @property
    def judged(self) -> tuple[RaceTotal, ...]:
        """Races with a loss, however small."""
        return tuple(t for t in self.totals if t.loss_s is not None)


def races(tables: Mapping[str, pl.DataFrame], entered: pl.DataFrame | None = None) -> Races:
    """From `race_totals` and `race_review`; `entered`: the races of the campaign, `name, start, finish`."""
    totals = tuple(
        RaceTotal(
            race=r["race"],
            start=r["start"],
            minutes=r["minutes"],
            covered_minutes=r["covered_minutes"],
            loss_s=r["loss_s"],
            low_s=r["loss_low_s"],
            high_s=r["loss_high_s"],
            beyond_doubt_s=r["beyond_doubt_s"],
            changes=r["changes"] or 0,
            late=r["late_changes"] or 0,
            early=r["early_changes"] or 0,
            unpaid=r["unpaid_changes"] or 0,
        )
        for r in tables["race_totals"]
        .sort("loss_s", "start", "race", descending=[True, False, False], nulls_last=True)
        .iter_rows(named=True)
    )
    review = tables["race_review"]
    lost = review.filter(pl.col("loss_s") > 0)
    unjudged = review.filter(pl.col("loss_s").is_null())
    worst = lost.sort("loss_s", "start", "race", descending=[True, False, False]).head(MOST_STRETCHES)
    known = {t.race for t in totals}
    speeds = _Speeds(tables["surfaces"])
    return Races(
        totals=totals,
        worst=tuple(_stretch(r, speeds) for r in worst.iter_rows(named=True)),
        more=lost.height - worst.height,
        lossless=review.height - lost.height - unjudged.height,
        unjudged=unjudged.height,
        unjudged_minutes=float(unjudged["minutes"].sum() or 0.0),
        silent=tuple(n for n in race_names(entered) if n not in known),
    )


class _Speeds:
    """Supported places of the surfaces, by set and node."""

    def __init__(self, surfaces: pl.DataFrame) -> None:
        self._step = grid_step(surfaces["tws_kn"], 1.0), grid_step(surfaces["twa_deg"], 5.0)
        columns = ("sail_set", "tws_kn", "twa_deg", "bsp_kn", "bsp_low_kn", "bsp_high_kn", "minutes")
        rows = surfaces.filter("supported").select(columns).iter_rows()
        self._at = {(name, *self._node(w, a)): Speed(name, *told) for name, w, a, *told in rows}

    def of(self, sail_set: object, r: Mapping[str, object]) -> Speed | None:
        """Speed of a set at the nearest node to the mean wind of a stretch."""
        wind, angle = r["tws_kn"], r["twa_deg"]
        if not isinstance(wind, float) or not isinstance(angle, float):
            return None
        return self._at.get((sail_set, *self._node(wind, abs(angle))))

    def _node(self, wind: float, angle: float) -> tuple[int, int]:
        return round(wind / self._step[0]), round(angle / self._step[1])


def _stretch(r: Mapping[str, object], speeds: _Speeds) -> RaceStretch:
    columns = ("race", "start", "end", "flown", "likelier", "tws_kn", "twa_deg", "minutes", "loss_s", "loss_pct")
    return RaceStretch(
        **{c: r[c] for c in columns},  # type: ignore[arg-type]
        measured=r["fastest_measured"],  # type: ignore[arg-type]
        designed=r["fastest_designed"],  # type: ignore[arg-type]
        low_s=r["loss_low_s"],  # type: ignore[arg-type]
        high_s=r["loss_high_s"],  # type: ignore[arg-type]
        chance_slower=r["chance_slower"],  # type: ignore[arg-type]
        flown_speed=speeds.of(r["flown"], r),
        measured_speed=speeds.of(r["fastest_measured"], r),
    )


def race_answer(found: Races, numbers: Numbers) -> tuple[str, ...]:
    """What the races cost, the dearest race, and the dearest stretch."""
    if not found.totals:
        if found.silent:
            return (
                f"Nothing was logged in {plural(len(found.silent), 'race')} of races.csv: no race can be reviewed.",
            )
        return ("No races were given (races.csv), so none is reviewed.",)
    judged = found.judged
    if not judged:
        return (f"{plural(len(found.totals), 'race')} logged, but nowhere are two sets measured: no loss can be told.",)
    lost = sum(t.loss_s or 0.0 for t in judged)
    sure = sum(t.beyond_doubt_s or 0.0 for t in judged)
    said = [
        f"In {plural(len(judged), 'race')} {numbers.plain(lost, 0)} s were lost against the sets measured fastest, "
        f"{numbers.plain(sure, 0)} s of them beyond doubt."
    ]
    top = judged[0]
    if top.loss_s:
        span = numbers.span(top.low_s, top.high_s, 0)
        said.append(
            f"Most in {named(top.race)}: {numbers.plain(top.loss_s, 0)} s; against the truly fastest sets {span} s."
        )
    if found.worst:
        w = found.worst[0]
        span = numbers.span(w.low_s, w.high_s, 1)
        said.append(
            f"Dearest stretch: {named(w.race)}, {w.start:%H:%M} to {w.end:%H:%M}, {named(w.flown)} up where "
            f"{named(w.measured)} measures faster: {numbers.plain(w.loss_s, 1)} s ({span})."
        )
    return tuple(said)

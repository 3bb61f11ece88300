"""When to change: borders in the true wind as a crew uses them, rounded, with how sure they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

import polars as pl

from pipeline.reporting.records.chart import State, grid_step, state_of

Sureness = Literal["sure", "wide", "one-sided"]

# Angles and wind speeds for which the coach's strips and tables are written.
STRIP_ANGLES_DEG = tuple(float(a) for a in range(40, 181, 10))
STRIP_WINDS_KN = tuple(float(w) for w in range(8, 41, 4))
_SURENESS: Mapping[str, Sureness] = {"clear": "sure", "close": "wide", "one-sided": "one-sided"}
# Halves of a knot are told only where the interval is narrow enough for them to mean something.
FINE_KN_WIDTH = 2.0
FINE_STEP_KN = 0.5
COARSE_STEP_KN = 1.0
STEP_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Change:
    """Where `set_b` takes over from `set_a` as `along` grows; `crossing` and its interval as measured.

    `rounded`, `from_` and `until` are what a crew can use: between the last two it does not matter which is up.
    """

    set_a: str
    set_b: str
    mode: str
    along: str
    at: float | None
    crossing: float | None
    low: float | None
    high: float | None
    rounded: float | None
    from_: float | None
    until: float | None
    sureness: Sureness

    @property
    def unit(self) -> str:
        """Unit of the crossing."""
        return "kn" if self.along == "tws_kn" else "deg"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch along the strip with one set in one state, between cell edges."""

    sail_set: str
    state: State
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Strip:
    """One angle (or one wind speed): what to fly from one end of the data to the other, and the changes between."""

    along: str
    at: float
    spans: tuple[Span, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """All borders for the coach."""

    beats: tuple[Change, ...]  # mode close-hauled
    runs: tuple[Change, ...]  # mode running
    by_angle: tuple[Strip, ...]  # along wind speed at one angle
    by_wind: tuple[Strip, ...]  # along angle at one wind speed
    every: tuple[Change, ...]

    @property
    def total(self) -> int:
        """How many borders were measured."""
        return len(self.every)


def changes(tables: Mapping[str, pl.DataFrame]) -> Changes:
    """Borders of `crossovers`, and the strips of `best_set` between them."""
    crossovers, best = tables["crossovers"], tables["best_set"]
    every = [_change(r) for r in crossovers.iter_rows(named=True)]
    return Changes(
        beats=_of_mode(every, "close-hauled"),
        runs=_of_mode(every, "running"),
        by_angle=_strips(every, best, "tws_kn", "twa_deg", STRIP_ANGLES_DEG),
        by_wind=_strips(every, best, "twa_deg", "tws_kn", STRIP_WINDS_KN),
        every=tuple(every),
    )


def round_to(value: float | None, step: float) -> float | None:
    """`value` rounded to the nearest multiple of `step`, halves up."""
    return None if value is None else step * int((value + step / 2.0) // step)


def _change(row: Mapping[str, object]) -> Change:
    low, high = _float(row["crossing_low"]), _float(row["crossing_high"])
    crossing = _float(row["crossing"])
    step = _step(str(row["along"]), low, high)
    return Change(
        set_a=str(row["set_a"]),
        set_b=str(row["set_b"]),
        mode=str(row["mode"]),
        along=str(row["along"]),
        at=_float(row["at"]),
        crossing=crossing,
        low=low,
        high=high,
        rounded=round_to(crossing, step),
        from_=round_to(low, step),
        until=round_to(high, step),
        sureness=_SURENESS.get(str(row["verdict"]), "wide"),
    )


def _float(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _step(along: str, low: float | None, high: float | None) -> float:
    if along != "tws_kn":
        return STEP_DEG
    fine = low is not None and high is not None and high - low < FINE_KN_WIDTH
    return FINE_STEP_KN if fine else COARSE_STEP_KN


def _of_mode(every: list[Change], mode: str) -> tuple[Change, ...]:
    return tuple(sorted((c for c in every if c.mode == mode), key=_order))


def _order(change: Change) -> tuple[float, str, str]:
    return change.crossing if change.crossing is not None else float("inf"), change.set_a, change.set_b


def _strips(
    every: list[Change], best: pl.DataFrame, along: str, at: str, values: tuple[float, ...]
) -> tuple[Strip, ...]:
    step = grid_step(best[along], 1.0 if along == "tws_kn" else 5.0)
    sailed = best.filter((pl.col("verdict") != "unsailed") & pl.col("best_set").is_not_null())
    out = []
    for value in values:
        line = sailed.filter((pl.col(at) - value).abs() < 1e-6).sort(along)
        here = [c for c in every if c.mode == "fixed-angle" and c.along == along and c.at is not None and c.at == value]
        if line.height:
            out.append(Strip(along, value, _spans(line, along, step), tuple(sorted(here, key=_order))))
    return tuple(out)


def _spans(line: pl.DataFrame, along: str, step: float) -> tuple[Span, ...]:
    spans: list[Span] = []
    cells = [
        (r[along], r["best_set"], state_of(r["verdict"], r["runner_up"], r["probability"]))
        for r in line.iter_rows(named=True)
    ]
    blocks = groupby(enumerate(cells), key=lambda ic: (round(ic[1][0] / step) - ic[0], ic[1][1], ic[1][2]))
    for (_, name, state), block in blocks:
        inside = [c for _, c in block]
        spans.append(Span(name, state, inside[0][0] - step / 2, inside[-1][0] + step / 2))
    return tuple(spans)

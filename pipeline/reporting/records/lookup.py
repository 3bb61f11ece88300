"""One place of the chart in words: which set at this wind and angle, how surely, how fast, from how much sailing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.reporting.numbers import Numbers, plural
from pipeline.reporting.records.chart import Cell, MeasuredChart
from pipeline.reporting.records.wording import named

# The table of all winds and angles shows every second knot where the chart spans more than this.
EVERY_KNOT_SPAN_KN = 12.0
TABLE_STEP_DEG = 5.0
# Sets told at one place, fastest first.
MOST_SPEEDS = 5


@dataclass(frozen=True, slots=True)
class Speed:
    """Expected speed of one set at one place, its 90 % interval, and the steady minutes near it."""

    sail_set: str
    bsp_kn: float
    low_kn: float | None
    high_kn: float | None
    minutes: float


@dataclass(frozen=True, slots=True)
class Place:
    """One cell of the chart with the speeds of all sets measured there, fastest first."""

    cell: Cell
    speeds: tuple[Speed, ...]


@dataclass(frozen=True, slots=True)
class ChartTable:
    """The chart as a table: `rows` are (TWA in degrees, one cell or None for each of `winds_kn`)."""

    winds_kn: tuple[float, ...]
    rows: tuple[tuple[float, tuple[Cell | None, ...]], ...]


def lookup(chart: MeasuredChart, tables: Mapping[str, pl.DataFrame]) -> tuple[Place, ...]:
    """Every sailed cell of the chart, in the order of its cells."""
    found: dict[tuple[float, float], list[Speed]] = {}
    rows = tables["surfaces"].filter(pl.col("supported") & pl.col("bsp_kn").is_not_null())
    for r in rows.sort(["bsp_kn", "sail_set"], descending=[True, False]).iter_rows(named=True):
        speed = Speed(r["sail_set"], r["bsp_kn"], r["bsp_low_kn"], r["bsp_high_kn"], r["minutes"] or 0.0)
        found.setdefault((round(r["tws_kn"], 4), round(r["twa_deg"], 4)), []).append(speed)
    return tuple(Place(c, tuple(found.get((round(c.tws_kn, 4), round(c.twa_deg, 4)), ()))) for c in chart.cells)


def chart_table(chart: MeasuredChart) -> ChartTable:
    """Cells at whole knots and multiples of 5 degrees; rows and columns without any are left out at the ends."""
    at = {(round(c.tws_kn, 4), round(c.twa_deg, 4)): c for c in chart.cells}
    winds = sorted({c.tws_kn for c in chart.cells if c.tws_kn % 1.0 == 0.0})
    if winds and winds[-1] - winds[0] > EVERY_KNOT_SPAN_KN:
        winds = [w for w in winds if w % 2.0 == 0.0]
    angles = sorted({c.twa_deg for c in chart.cells if c.twa_deg % TABLE_STEP_DEG == 0.0})
    rows = ((a, tuple(at.get((round(w, 4), round(a, 4))) for w in winds)) for a in angles)
    return ChartTable(tuple(winds), tuple((a, cells) for a, cells in rows if any(cells)))


def said(place: Place, numbers: Numbers) -> tuple[str, ...]:
    """The place in sentences: the set and how surely; each measured speed; a warning beyond a maker's limit."""
    cell = place.cell
    lines = [_lead(cell, numbers)]
    lines += [_speed(s, numbers) for s in place.speeds[:MOST_SPEEDS]]
    if len(place.speeds) > MOST_SPEEDS:
        lines.append(f"{plural(len(place.speeds) - MOST_SPEEDS, 'slower set')} measured here as well.")
    if cell.over_limit:
        lines.append("Beyond the maker's wind limit of a sail in this set.")
    return tuple(lines)


def _lead(cell: Cell, numbers: Numbers) -> str:
    name, margin = named(cell.sail_set), ""
    if cell.runner_up is not None and cell.margin_pct is not None:
        margin = f", {numbers.plain(cell.margin_pct, 1)} % ahead of {named(cell.runner_up)}"
    if cell.state == "alone":
        return f"{name}: the only set measured here, so it is compared with nothing."
    chance = "" if cell.probability is None else f" (probability {numbers.percent(cell.probability)})"
    return f"{name}, {'clearly' if cell.state == 'clear' else 'but in doubt'}{margin}{chance}."


def _speed(speed: Speed, numbers: Numbers) -> str:
    span = numbers.span(speed.low_kn, speed.high_kn, 1)
    near = numbers.duration(speed.minutes) if speed.minutes else "from its surroundings: no steady time"
    return f"{named(speed.sail_set)} {numbers.plain(speed.bsp_kn, 1)} kn (90 %: {span}), {near} within 1 kn and 5°"

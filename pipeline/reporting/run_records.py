"""All records of a run, made from its tables once for every page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.records.changes import Changes, changes
from pipeline.reporting.records.chart import MeasuredChart, measured_chart
from pipeline.reporting.records.curves import SpeedCurves, speed_curves
from pipeline.reporting.records.guesses import Guess, guesses
from pipeline.reporting.records.ledger import Ledger, ledger
from pipeline.reporting.records.leftover import Leftover, leftover
from pipeline.reporting.records.lookup import Place, lookup
from pipeline.reporting.records.quality import Quality, quality
from pipeline.reporting.records.sailed import FlownAgainstFastest, flown_against_fastest
from pipeline.reporting.records.season import Season, season
from pipeline.reporting.records.tacks import TackShift, tack_shifts
from pipeline.reporting.records.targets import Leg, target_legs
from pipeline.reporting.records.timeline import SessionLine, time_lines
from pipeline.reporting.records.trust import Trust, trust


@dataclass(frozen=True, slots=True)
class Records:
    """Everything the pages show."""

    season: Season
    quality: Quality
    chart: MeasuredChart
    curves: SpeedCurves
    ledger: Ledger
    changes: Changes
    flown: FlownAgainstFastest
    lines: tuple[SessionLine, ...]
    places: tuple[Place, ...]
    trust: Trust
    guesses: tuple[Guess, ...]
    tacks: Mapping[tuple[object, ...], TackShift]
    legs: tuple[Leg, ...]
    leftover: Leftover


def build_records(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    designed: pl.DataFrame | None,
    races: pl.DataFrame | None,
    order: tuple[str, ...],
) -> Records:
    """All records of a run; `tables` complete, `order` the sets in the order they are listed."""
    chart = measured_chart(tables, boat, designed)
    found = changes(tables)
    return Records(
        season=season(tables, order),
        quality=quality(tables),
        chart=chart,
        curves=speed_curves(tables),
        ledger=ledger(tables),
        changes=found,
        flown=flown_against_fastest(tables, races),
        lines=time_lines(tables),
        places=lookup(chart, tables),
        trust=trust(tables),
        guesses=guesses(tables, found),
        tacks=tack_shifts(tables),
        legs=target_legs(tables),
        leftover=leftover(tables),
    )

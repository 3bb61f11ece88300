"""All records of a run, made from its tables once for every page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.records.audit import Audit, audit
from pipeline.reporting.records.beyond import BeyondLimits, beyond_limits
from pipeline.reporting.records.card import Card, card
from pipeline.reporting.records.changes import Change, Changes, changes
from pipeline.reporting.records.chart import MeasuredChart, measured_chart
from pipeline.reporting.records.chart_room import ChartRoom, chart_room
from pipeline.reporting.records.close_ups import CloseUp, close_up_of_changes, close_up_of_row
from pipeline.reporting.records.costs import ChangeCost, change_cost
from pipeline.reporting.records.curves import SpeedCurves, speed_curves
from pipeline.reporting.records.guesses import Guess, guesses
from pipeline.reporting.records.ledger import Ledger, ledger
from pipeline.reporting.records.leftover import Leftover, leftover
from pipeline.reporting.records.lists import SailLists, lists
from pipeline.reporting.records.lookup import Place, lookup
from pipeline.reporting.records.manoeuvres import ManoeuvreKind, manoeuvre_kinds
from pipeline.reporting.records.practice import Practice, practice
from pipeline.reporting.records.quality import Quality, quality
from pipeline.reporting.records.race_changes import ReviewedChanges, reviewed_changes
from pipeline.reporting.records.race_courses import Evidence, RaceCourse, evidence, race_courses
from pipeline.reporting.records.races import Races, races
from pipeline.reporting.records.reality import AreaChange, Prediction, area_changes, prediction
from pipeline.reporting.records.sailed import FlownAgainstFastest, flown_against_fastest
from pipeline.reporting.records.season import Season, season
from pipeline.reporting.records.stock import Stock, stock
from pipeline.reporting.records.tacks import TackShift, tack_shifts
from pipeline.reporting.records.targets import Leg, target_legs
from pipeline.reporting.records.timeline import SessionLine, time_lines
from pipeline.reporting.records.trust import Trust, trust

# Borders beyond these, in the order of the ledger and of the measured pairs, have no close-up: a page keeps its weight.
MOST_CLOSE_UPS = 24
Direction = tuple[str, str, str]  # set a, set b, along


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
    card: Card
    cost: ChangeCost
    practice: Practice
    races: Races
    courses: tuple[RaceCourse, ...]
    evidence: tuple[Evidence, ...]
    race_changes: ReviewedChanges
    audit: Audit
    manoeuvres: tuple[ManoeuvreKind, ...]
    beyond: BeyondLimits
    stock: Stock
    lists: SailLists
    areas: tuple[AreaChange, ...]
    prediction: Prediction
    room: ChartRoom
    close_ups: Mapping[Direction, CloseUp]


def build_records(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    designed: pl.DataFrame | None,
    entered: pl.DataFrame | None,
    order: tuple[str, ...],
) -> Records:
    """All records of a run; `tables` complete, `entered` the races given, `order` the sets in the order of lists."""
    chart = measured_chart(tables, boat, designed)
    found = changes(tables)
    design = ledger(tables)
    raced = races(tables, entered)
    return Records(
        season=season(tables, order),
        quality=quality(tables),
        chart=chart,
        curves=speed_curves(tables),
        ledger=design,
        changes=found,
        flown=flown_against_fastest(tables),
        lines=time_lines(tables),
        places=lookup(chart, tables),
        trust=trust(tables),
        guesses=guesses(tables, found),
        tacks=tack_shifts(tables),
        legs=target_legs(tables),
        leftover=leftover(tables),
        card=card(tables, boat),
        cost=change_cost(tables),
        practice=practice(tables),
        races=raced,
        courses=race_courses(tables, raced),
        evidence=evidence(tables, raced),
        race_changes=reviewed_changes(tables),
        audit=audit(tables),
        manoeuvres=manoeuvre_kinds(tables),
        beyond=beyond_limits(tables, boat),
        stock=stock(tables, boat),
        lists=lists(tables, boat),
        areas=area_changes(tables),
        prediction=prediction(tables),
        room=chart_room(tables),
        close_ups=_close_ups(tables, design, found),
    )


def _close_ups(tables: Mapping[str, pl.DataFrame], design: Ledger, found: Changes) -> dict[Direction, CloseUp]:
    """Of the tested borders of the ledger, worst first, then of measured borders that no design draws."""
    out: dict[Direction, CloseUp] = {}
    rows = [r for b in design.borders for r in b.tested]
    for row in rows[:MOST_CLOSE_UPS]:
        close = close_up_of_row(tables, row)
        if close is not None:
            out[row.set_a, row.set_b, row.along] = close
    drawn = {(r.set_a, r.set_b, r.along) for r in rows}
    by_direction: dict[Direction, list[Change]] = {}
    for c in found.every:
        if c.at is not None and (c.set_a, c.set_b, c.along) not in drawn:
            by_direction.setdefault((c.set_a, c.set_b, c.along), []).append(c)
    for key, some in sorted(by_direction.items(), key=lambda item: (-len(item[1]), item[0])):
        if len(out) >= MOST_CLOSE_UPS:
            break
        close = close_up_of_changes(tables, some)
        if close is not None:
            out[key] = close
    return out

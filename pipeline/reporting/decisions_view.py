"""What the templates are given of the decisions: records, sentences, and the small drawings of their lines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from pipeline.campaign.settings import Boat
from pipeline.decisions.change_cost import span_s
from pipeline.decisions.change_rules import MINUTES_AHEAD
from pipeline.reporting.figures.range_drawing import draw_range, scale_of
from pipeline.reporting.figures.trade_off_drawing import draw_trade_off
from pipeline.reporting.figures.trade_off_live import live_trade_off
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records import (
    audit,
    beyond,
    card,
    chart_room,
    costs,
    lists,
    practice,
    race_changes,
    races,
    stock,
)
from pipeline.reporting.records.race_changes import COSTLY
from pipeline.reporting.records.races import MOST_RACES
from pipeline.reporting.run_records import Records

# Rules beyond these stand in the table; a rule is one way across one border.
MOST_RULES = 24


def decisions_view(records: Records, boat: Boat, numbers: Numbers) -> dict[str, Any]:
    """`card`, `cost`, `practice`, `race`, `stock`: what each part of the pages needs, by name."""
    return {
        "card": _card(records, boat, numbers),
        "cost": {
            "found": records.cost,
            "said": costs.cost_words(records.cost, numbers),
            "minutes": MINUTES_AHEAD,
            "span_s": span_s(boat.loa_m),
            "rules": records.cost.rules[:MOST_RULES],
        },
        "practice": {
            "found": records.practice,
            "band": lambda trial: practice.band_now(trial, numbers),
            "band_after": lambda trial: practice.band_after(trial, numbers),
        },
        "race": _race(records, numbers),
        "stock": _stock(records, numbers),
    }


def answer_lines(records: Records, numbers: Numbers) -> dict[str, tuple[str, ...]]:
    """Sentences for the head of each page, by page."""
    raced = records.races.totals or records.races.silent
    race = races.race_answer(records.races, numbers) if raced else ()
    return {
        "coach": tuple(
            s
            for s in (costs.cost_words(records.cost, numbers), practice.practice_words(records.practice, numbers))
            if s
        ),
        "analyst": (*race, *_late(records, numbers)),
        "sailmaker": (
            *chart_room.overlap_answer(records.room, numbers),
            *stock.stock_answer(records.stock, numbers),
            *lists.list_answer(records.lists, numbers),
        ),
    }


def more_findings(records: Records, numbers: Numbers) -> tuple[tuple[str, str, str], ...]:
    """For the index: address, title and one line each of the card, the races and the inventory."""
    best = lists.list_answer(records.lists, numbers) or stock.stock_answer(records.stock, numbers)
    return (
        ("card.html", "Card for the bulkhead", card.card_words(records.card)),
        ("analyst.html#races", "Races", races.race_answer(records.races, numbers)[0]),
        ("sailmaker.html#inventory", "Inventory", best[0]),
    )


def _late(records: Records, numbers: Numbers) -> tuple[str, ...]:
    found = records.race_changes
    return (race_changes.changes_words(found, numbers),) if any(found.number(v) for v in COSTLY) else ()


def _card(records: Records, boat: Boat, numbers: Numbers) -> dict[str, Any]:
    return {
        "found": records.card,
        "said": card.card_words(records.card),
        "shown": card.shown_words(boat, numbers),
        "mark": lambda value, pair: card.mark(value, pair, numbers),
        "either": lambda line, pair: card.either(line, pair, numbers),
        "interval": lambda line, pair: card.interval(line, pair, numbers),
        "where": lambda line, pair: card.where(line, pair, numbers),
    }


def _race(records: Records, numbers: Numbers) -> dict[str, Any]:
    found = records.races
    return {
        "found": found,
        "totals": found.totals[:MOST_RACES],
        "more_totals": max(0, len(found.totals) - MOST_RACES),
        "total_chip": _chips([(t.loss_s, t.low_s, t.high_s) for t in found.totals], "s"),
        "chip": _chips([(s.loss_s, s.low_s, s.high_s) for s in found.worst], "s"),
        "changes": records.race_changes,
        "changes_said": race_changes.changes_words(records.race_changes, numbers),
        "audit": records.audit,
        "audit_said": audit.audit_words(records.audit, numbers),
        "odds": lambda odds: audit.odds_words(odds, numbers),
        "manoeuvres": records.manoeuvres,
        "beyond": records.beyond,
        "beyond_said": beyond.beyond_words(records.beyond, numbers),
    }


def _stock(records: Records, numbers: Numbers) -> dict[str, Any]:
    found, curve = records.stock, records.lists.curve
    return {
        "found": found,
        "said": (*stock.stock_answer(found, numbers), *lists.list_answer(records.lists, numbers)),
        "chip": _chips([(s.cost_s, s.low_s, s.high_s) for s in found.sails], "seconds a nautical mile"),
        "lists": records.lists,
        "points": tuple(enumerate(curve.points, 1)),
        "curve": (draw_trade_off(curve, narrow=False), draw_trade_off(curve, narrow=True), live_trade_off(curve)),
        "areas": records.areas,
        "area_chip": _chips([(a.change_h, a.low_h, a.high_h) for a in records.areas], "hours"),
        "prediction": records.prediction,
        "room": records.room,
        "overlap_chip": _chips([(o.loss_pct, o.low_pct, o.high_pct) for o in records.room.overlaps], "per cent"),
    }


def _chips(
    lines: list[tuple[float | None, float | None, float | None]], unit: str
) -> Callable[[float | None, float | None, float | None, bool], Markup | None]:
    """The drawing of one line, on the scale of all `lines` (figure, low, high); `sure` fills its dot."""
    scale = scale_of([v for line in lines for v in line])

    def chip(point: float | None, low: float | None, high: float | None, sure: bool) -> Markup | None:
        return draw_range(point, low, high, scale, unit, sure=sure)

    return chip

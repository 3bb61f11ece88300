"""Which sails to take: the best list within each limit, and the trade-off of loss against weight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.wording import named

TRADE_OFF, BY_NUMBER, ALL_SAILS = "trade-off", "trade-off by number", "all sails"
MOST_POINTS = 60


@dataclass(frozen=True, slots=True)
class SailList:
    """One list: loss in seconds a nautical mile against all sails aboard, with its interval, and what it leaves out.

    `hours_unsure`: conditions in which the set left is within reach but not supported.
    """

    rule: str
    sails: tuple[str, ...]
    ashore: tuple[str, ...]
    number: int | None
    weight_kg: float | None
    loss_s: float | None
    low_s: float | None
    high_s: float | None
    hours_uncovered: float | None
    hours_unsure: float | None
    corrected_s: float | None


@dataclass(frozen=True, slots=True)
class TradeOff:
    """Points of the curve, the lightest first, along kilograms or, without all weights, the number of sails.

    `limit`: of `[rules]`, on the same scale; None without. `left_out`: lighter lists, beyond what can be drawn.
    """

    by_weight: bool
    points: tuple[SailList, ...]
    limit: float | None
    left_out: int = 0

    def at(self, point: SailList) -> float:
        """Place of a point along the curve."""
        return float((point.weight_kg if self.by_weight else point.number) or 0.0)


@dataclass(frozen=True, slots=True)
class SailLists:
    """`whole`: all sails aboard; `best`: the best list within each limit."""

    whole: SailList | None
    best: tuple[SailList, ...]
    curve: TradeOff


def lists(tables: Mapping[str, pl.DataFrame], boat: Boat) -> SailLists:
    """From `sail_lists`."""
    every = [_list(r) for r in tables["sail_lists"].iter_rows(named=True)]
    by_number = any(x.rule == BY_NUMBER for x in every)
    points = [x for x in every if x.rule in (TRADE_OFF, BY_NUMBER) and x.loss_s is not None]
    limit = boat.rules.max_sails_aboard if by_number else boat.rules.max_sail_weight_kg
    curve = TradeOff(not by_number, (), None if limit is None else float(limit))
    points.sort(key=lambda x: (curve.at(x), -(x.loss_s or 0.0)))
    return SailLists(
        whole=next((x for x in every if x.rule == ALL_SAILS), None),
        best=tuple(x for x in every if x.rule not in (TRADE_OFF, BY_NUMBER, ALL_SAILS)),
        curve=TradeOff(curve.by_weight, tuple(points[-MOST_POINTS:]), curve.limit, max(0, len(points) - MOST_POINTS)),
    )


def _list(r: Mapping[str, object]) -> SailList:
    def words(column: str) -> tuple[str, ...]:
        return tuple(str(r[column] or "").split())

    return SailList(
        rule=str(r["rule"]),
        sails=words("sails"),
        ashore=words("left_ashore"),
        number=r["number"],  # type: ignore[arg-type]
        weight_kg=r["weight_kg"],  # type: ignore[arg-type]
        loss_s=r["loss_s_per_nm"],  # type: ignore[arg-type]
        low_s=r["loss_low"],  # type: ignore[arg-type]
        high_s=r["loss_high"],  # type: ignore[arg-type]
        hours_uncovered=r["hours_uncovered"],  # type: ignore[arg-type]
        hours_unsure=r["hours_unsure"],  # type: ignore[arg-type]
        corrected_s=r["loss_corrected_s_per_nm"],  # type: ignore[arg-type]
    )


def list_answer(found: SailLists, numbers: Numbers) -> tuple[str, ...]:
    """The best list within the limits of `[rules]`, else the lightest within two seconds a mile; () without lists."""
    limited = [x for x in found.best if x.rule.startswith("at most") and "corrected" not in x.rule]
    chosen = limited[-1] if limited else next((x for x in found.best if x.rule == "within 2 s/nm"), None)
    if chosen is None or chosen.loss_s is None:
        return ()
    ashore = " ".join(named(c) for c in chosen.ashore)
    what = f"leave {ashore} ashore" if ashore else "all sails can go"
    uncovered = chosen.hours_uncovered or 0.0
    gap = f", with {numbers.plain(uncovered, 1)} h without any known set" if uncovered >= 0.05 else ""
    return (
        f"Best list {chosen.rule}: {what}; it loses {numbers.plain(chosen.loss_s, 1)} s a mile "
        f"({numbers.span(chosen.low_s, chosen.high_s, 1)}){gap}.",
    )

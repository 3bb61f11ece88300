"""What a change of sails costs, and how far beyond a border the wind must be for one to pay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any

import polars as pl

from pipeline.decisions.change_pools import ALL
from pipeline.decisions.change_rules import MINUTES_AHEAD
from pipeline.reporting.numbers import Numbers


@dataclass(frozen=True, slots=True)
class KindCost:
    """Seconds lost by a change of one kind, mean with its 90 % interval, of `measured` out of `changes` logged."""

    kind: str
    changes: int
    measured: int
    lost_s: float | None
    low_s: float | None
    high_s: float | None
    lost_m: float | None


@dataclass(frozen=True, slots=True)
class Margin:
    """Median margin beyond the border over the points at which a change pays, and how many of all points these are."""

    value: float | None
    pays: int
    points: int


@dataclass(frozen=True, slots=True)
class Rule:
    """Margins of one change, `up` or back, by the minutes that the wind holds (in the order of `MINUTES_AHEAD`).

    `unit`: knots of apparent wind, or degrees of its angle where the border runs along the angle. `cost_s`: seconds
    that the change is taken to cost, median.
    """

    set_from: str
    set_to: str
    mode: str
    unit: str
    up: bool
    cost_s: float | None
    margins: tuple[Margin, ...]


@dataclass(frozen=True, slots=True)
class ChangeCost:
    """`overall`: all kinds together; None where too few changes could be measured."""

    overall: KindCost | None
    kinds: tuple[KindCost, ...]
    rules: tuple[Rule, ...]


def change_cost(tables: Mapping[str, pl.DataFrame]) -> ChangeCost:
    """From `change_costs` and `change_rules`; kinds with most changes first, rules with most points first."""
    kinds = [
        KindCost(r["kind"], r["changes"], r["measured"], r["lost_s"], r["lost_low_s"], r["lost_high_s"], r["lost_m"])
        for r in tables["change_costs"].iter_rows(named=True)
    ]
    single = sorted((k for k in kinds if k.kind != ALL), key=lambda k: (-k.measured, -k.changes, k.kind))
    return ChangeCost(next((k for k in kinds if k.kind == ALL), None), tuple(single), _rules(tables["change_rules"]))


def _rules(frame: pl.DataFrame) -> tuple[Rule, ...]:
    borders: dict[tuple[str, str, str, str], list[dict[str, Any]]] = {}
    for row in frame.sort("set_a", "set_b", "mode", "along", "at", "crossing").iter_rows(named=True):
        borders.setdefault((row["set_a"], row["set_b"], row["mode"], row["along"] or "tws_kn"), []).append(row)
    ranked = sorted(borders.items(), key=lambda item: (-len(item[1]), item[0]))
    return tuple(_rule(*key, rows, up=up) for key, rows in ranked for up in (True, False))


def _rule(set_a: str, set_b: str, mode: str, along: str, rows: list[dict[str, Any]], *, up: bool) -> Rule:
    by_wind = along == "tws_kn"
    way = "up" if up else "down"
    column = f"{way}_aws_kn" if by_wind else f"{way}_awa_deg"
    costs = [r[f"cost_{way}_s"] for r in rows if r[f"cost_{way}_s"] is not None]
    margins = []
    for minutes in MINUTES_AHEAD:
        here = [r[column] for r in rows if r["minutes_ahead"] == minutes]
        pays = [v for v in here if v is not None]
        margins.append(Margin(median(pays) if pays else None, len(pays), len(here)))
    return Rule(
        set_from=set_a if up else set_b,
        set_to=set_b if up else set_a,
        mode=mode,
        unit="kn" if by_wind else "deg",
        up=up,
        cost_s=median(costs) if costs else None,
        margins=tuple(margins),
    )


def cost_words(found: ChangeCost, numbers: Numbers) -> str:
    """The cost of a change in a sentence."""
    c = found.overall
    if c is None or c.lost_s is None:
        return "What a change of sails costs is not known: too few logged changes could be measured."
    return (
        f"A change costs {numbers.plain(c.lost_s, 1)} s on average ({numbers.span(c.low_s, c.high_s, 1)}), measured at "
        f"{numbers.count(c.measured)} of {numbers.count(c.changes)} logged changes."
    )

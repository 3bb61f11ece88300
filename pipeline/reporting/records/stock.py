"""The inventory: what each sail is worth, and what could stay ashore."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.wording import named


@dataclass(frozen=True, slots=True)
class SailWorth:
    """One sail. Costs of leaving it ashore in seconds a nautical mile, over `hours_judged`; in `hours_uncovered` no
    known set would be left. None where the data cannot say.
    """

    sail: str
    hours: float
    share_fastest: float | None
    cost_s: float | None
    low_s: float | None
    high_s: float | None
    corrected_s: float | None
    hours_judged: float | None
    hours_uncovered: float | None
    weight_kg: float | None
    covered_by: tuple[str, ...]
    required: bool


@dataclass(frozen=True, slots=True)
class Stock:
    """`sails`: the dearest to leave ashore first, those that must be aboard last. `notes`: how it was judged."""

    sails: tuple[SailWorth, ...]
    notes: tuple[str, ...]
    rated: bool

    @property
    def choice(self) -> tuple[SailWorth, ...]:
        """Sails that may stay ashore, as far as their cost is known."""
        return tuple(s for s in self.sails if not s.required and s.cost_s is not None)


def stock(tables: Mapping[str, pl.DataFrame], boat: Boat) -> Stock:
    """From `inventory` and `inventory_notes`; `rated`: a sail changes the boat's rating."""
    sails = [
        SailWorth(
            sail=r["sail"],
            hours=r["hours"],
            share_fastest=r["share_fastest"],
            cost_s=r["cost_s_per_nm"],
            low_s=r["cost_low"],
            high_s=r["cost_high"],
            corrected_s=r["cost_corrected_s_per_nm"],
            hours_judged=r["hours_judged"],
            hours_uncovered=r["hours_uncovered"],
            weight_kg=r["weight_kg"],
            covered_by=tuple((r["covered_by"] or "").split()),
            required=bool(r["required"]),
        )
        for r in tables["inventory"].iter_rows(named=True)
    ]
    sails.sort(key=lambda s: (s.required, s.cost_s is None, -(s.cost_s or 0.0), s.sail))
    notes = tuple(n for n in tables["inventory_notes"]["note"].to_list() if n)
    return Stock(tuple(sails), notes, any(s.rating_delta for s in boat.sails.values()))


def stock_answer(found: Stock, numbers: Numbers) -> tuple[str, ...]:
    """The dearest sail to leave ashore and the cheapest, as far as known."""
    known = found.choice
    if not known:
        return ("What a sail is worth cannot be said: no sail that may stay ashore has a known cost.",)
    said = [f"Dearest to leave ashore: {_worth(known[0], numbers)}."]
    if len(known) > 1:
        said.append(f"Cheapest: {_worth(known[-1], numbers)}.")
    return tuple(said)


def _worth(s: SailWorth, numbers: Numbers) -> str:
    bare = s.hours_uncovered or 0.0
    gap = f", and {numbers.plain(bare, 1)} h without any known set" if bare >= 0.05 else ""
    span = numbers.span(s.low_s, s.high_s, 1)
    return f"{named(s.sail)}, {numbers.plain(s.cost_s, 1)} s a mile ({span}){gap}"

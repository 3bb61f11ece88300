"""How far the intervals can be believed: left-out days, and the wrong `clear` verdicts to be expected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.diagnostics.intervals import DIFFERENCE
from pipeline.reporting.numbers import Numbers, plural
from pipeline.reporting.records.ledger import LUCKY_SHARE

REPORTED_LEVEL = 0.90


@dataclass(frozen=True, slots=True)
class Check:
    """One line of `interval_check`."""

    kind: str
    level: float
    held: float
    held_low: float | None
    held_high: float | None
    cases: int
    days: int
    typical_half_width_pct: float

    @property
    def finding(self) -> str:
        """Whether the share that held agrees with the level."""
        if self.held_low is None or self.held_high is None:
            return "too few days to say"
        if self.held_low <= self.level <= self.held_high:
            return "as it should be"
        return "too narrow" if self.held_high < self.level else "too wide"


@dataclass(frozen=True, slots=True)
class Trust:
    """`checks` of left-out days; places called clear and how many of them are expected to be wrong; the same of the
    borders called clear.
    """

    checks: tuple[Check, ...]
    clear_places: int
    wrong_places: float
    clear_borders: int

    @property
    def wrong_borders(self) -> float:
        """Clear borders whose true place is expected to lie outside their interval."""
        return LUCKY_SHARE * self.clear_borders


def trust(tables: Mapping[str, pl.DataFrame]) -> Trust:
    """From `interval_check`, `best_set` and `crossovers`."""
    clear = tables["best_set"].filter(pl.col("verdict") == "clear")
    return Trust(
        checks=tuple(
            Check(**{k: r[k] for k in Check.__dataclass_fields__})
            for r in tables["interval_check"].iter_rows(named=True)
        ),
        clear_places=clear.height,
        wrong_places=float((1.0 - clear["probability"].fill_null(1.0)).sum()),
        clear_borders=tables["crossovers"].filter(pl.col("verdict") == "clear").height,
    )


def held_words(found: Trust, numbers: Numbers) -> str:
    """What leaving days out says of the 90 % intervals, in one or two sentences."""
    mine = [c for c in found.checks if c.level == REPORTED_LEVEL]
    if not mine:
        return "Whether the intervals hold cannot be checked: no day could be predicted from the others."
    check = next((c for c in mine if c.kind == DIFFERENCE), mine[0])
    what = "differences between two sets" if check.kind == DIFFERENCE else "speeds of a set"
    said = (
        f"Left out in turn and predicted from the other days, {numbers.percent(check.held)} of the "
        f"{numbers.count(check.cases)} {what} on {plural(check.days, 'day')} lay inside their 90 % intervals"
    )
    verdict = {
        "as it should be": "that is as it should be",
        "too narrow": "the intervals are too narrow for this season",
        "too wide": "the intervals are wider than they need be",
    }.get(check.finding, check.finding)
    return f"{said}: {verdict}."


def wrong_words(found: Trust, numbers: Numbers) -> tuple[str, ...]:
    """How many `clear` verdicts are expected to be wrong: of the chart's places and of the borders, as far as any."""
    said = []
    if found.clear_places:
        said.append(
            f"Of {plural(found.clear_places, 'place')} of the chart called clear about "
            f"{_about(found.wrong_places, numbers)} can be expected to be wrong, by the probabilities of their sets."
        )
    if found.clear_borders:
        said.append(
            f"Of {plural(found.clear_borders, 'border point')} called clear about "
            f"{_about(found.wrong_borders, numbers)} can be expected to lie outside the 90 % interval."
        )
    return tuple(said)


def _about(value: float, numbers: Numbers) -> str:
    return numbers.plain(value, 0 if value >= 0.95 else 1)

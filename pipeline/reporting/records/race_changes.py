"""Changes made in races: late, early, not worth making, in time, undecided, untested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.decisions.change_review import EARLY, IN_TIME, LATE, NOT_PAID, UNDECIDED, UNTESTED
from pipeline.reporting.numbers import Numbers, plural

# In the order of the page; what cost nothing for sure stands below.
VERDICTS = (LATE, EARLY, NOT_PAID, UNDECIDED, IN_TIME, UNTESTED)
COSTLY = (LATE, EARLY, NOT_PAID)
MOST_CHANGES = 40


@dataclass(frozen=True, slots=True)
class ReviewedChange:
    """One change in a race; `seconds` lost by its moment, or by its having been made at all."""

    race: str
    time: datetime
    set_from: str
    set_to: str
    kind: str
    verdict: str
    seconds: float | None
    low_s: float | None
    high_s: float | None
    minutes_late: float | None
    gain_s: float | None
    cost_s: float | None
    known_share: float | None


@dataclass(frozen=True, slots=True)
class ReviewedChanges:
    """`counts` of all by verdict; `shown`: of the verdicts in their order the dearest ones; `more`: not shown."""

    counts: tuple[tuple[str, int], ...]
    shown: tuple[ReviewedChange, ...]
    more: int

    def number(self, verdict: str) -> int:
        """How many changes got that verdict."""
        return dict(self.counts).get(verdict, 0)


def reviewed_changes(tables: Mapping[str, pl.DataFrame]) -> ReviewedChanges:
    """From `change_review`."""
    columns = ("race", "time", "kind", "verdict", "seconds", "minutes_late", "gain_s", "cost_s", "known_share")
    every = [
        ReviewedChange(
            **{c: r[c] for c in columns},
            set_from=r["from_set"],
            set_to=r["to_set"],
            low_s=r["seconds_low"],
            high_s=r["seconds_high"],
        )
        for r in tables["change_review"].sort("time", "race").iter_rows(named=True)
    ]
    order = {v: k for k, v in enumerate(VERDICTS)}
    every.sort(key=lambda c: (order.get(c.verdict, len(order)), -(c.seconds or 0.0)))
    counts = tuple((v, n) for v in VERDICTS if (n := sum(c.verdict == v for c in every)))
    return ReviewedChanges(counts, tuple(every[:MOST_CHANGES]), max(0, len(every) - MOST_CHANGES))


def changes_words(found: ReviewedChanges, numbers: Numbers) -> str:
    """How many changes of the races were late, early or did not pay."""
    if not found.counts:
        return "No change of sails was made within a race."
    every = sum(n for _, n in found.counts)
    parts = ", ".join(f"{numbers.count(n)} {v}" for v, n in found.counts)
    return f"{plural(every, 'change')} in races: {parts}."

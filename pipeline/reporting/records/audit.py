"""Doubts about the sail log: stretches whose speeds fit another set, and changes logged too late or too early."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.reporting.numbers import MISSING, Numbers, plural

MOST_STRETCHES, MOST_TIMES = 40, 40
# Verdicts of `change_times` that are shown one by one.
MOVED = ("late", "early")
# Odds beyond this are told as more than it: the model is no surer of itself.
MOST_ODDS = 1000.0


@dataclass(frozen=True, slots=True)
class DoubtfulTag:
    """One stretch: `odds` of `likelier` against `logged`, `chance` of it among all explanations; the speeds off."""

    start: datetime
    end: datetime
    logged: str
    likelier: str
    odds: float
    minutes: float | None
    chance: float | None
    off_logged_pct: float | None
    off_likelier_pct: float | None


@dataclass(frozen=True, slots=True)
class DoubtfulTime:
    """One logged change and when by the speeds it happened, with the 90 % interval."""

    time: datetime
    set_from: str
    set_to: str
    likelier: datetime
    low: datetime
    high: datetime
    odds: float
    verdict: str


@dataclass(frozen=True, slots=True)
class Audit:
    """`tags` by odds, `times` with a verdict of late or early; `more_*`: not shown; `counts` of changes by verdict;
    `unheard`: windows that have no say in the surfaces for their name's sake.
    """

    tags: tuple[DoubtfulTag, ...]
    more_tags: int
    times: tuple[DoubtfulTime, ...]
    more_times: int
    counts: tuple[tuple[str, int], ...]
    unheard: int

    @property
    def judged_times(self) -> int:
        """Changes whose time the speeds could judge."""
        return sum(n for _, n in self.counts)


def audit(tables: Mapping[str, pl.DataFrame]) -> Audit:
    """From `tag_audit`, `change_times` and `unheard_windows`."""
    tags = tables["tag_audit"].sort("odds", "start", descending=[True, False])
    times = tables["change_times"]
    moved = times.filter(pl.col("verdict").is_in(MOVED)).sort("odds", "time", descending=[True, False])
    counts = dict(times.group_by("verdict").len().sort("verdict").iter_rows())
    columns = ("start", "end", "logged", "likelier", "odds", "minutes", "chance", "off_logged_pct", "off_likelier_pct")
    return Audit(
        tags=tuple(DoubtfulTag(*row) for row in tags.select(columns).head(MOST_STRETCHES).iter_rows()),
        more_tags=max(0, tags.height - MOST_STRETCHES),
        times=tuple(
            DoubtfulTime(*row)
            for row in moved.select("time", "from_set", "to_set", "likelier", "low", "high", "odds", "verdict")
            .head(MOST_TIMES)
            .iter_rows()
        ),
        more_times=max(0, moved.height - MOST_TIMES),
        counts=tuple((v, counts[v]) for v in ("late", "early", "as logged", "open") if v in counts),
        unheard=tables["unheard_windows"].height,
    )


def odds_words(odds: float | None, numbers: Numbers) -> str:
    """ "12 to 1", "over 1000 to 1"; below one the other way round."""
    if odds is None or odds != odds:
        return MISSING
    if odds > MOST_ODDS:
        return f"over {numbers.count(MOST_ODDS)} to 1"
    if odds >= 1.0:
        return f"{numbers.plain(odds, 0 if odds >= 2 else 1)} to 1"
    return f"1 to {numbers.plain(min(1.0 / max(odds, 1e-9), MOST_ODDS), 0)}"


def audit_words(found: Audit, numbers: Numbers) -> str:
    """What the audit found, and that it changed nothing."""
    tags = len(found.tags) + found.more_tags
    times = sum(n for v, n in found.counts if v in MOVED)
    what = [
        f"{plural(tags, 'stretch', 'stretches')} whose speeds fit another set better than the logged one"
        if tags
        else "no stretch whose speeds fit another set better"
    ]
    if found.judged_times:
        rest = f"of {plural(found.judged_times, 'logged change')} whose time could be judged "
        what.append(rest + (f"{numbers.count(times)} logged late or early" if times else "none logged late or early"))
    said = f"The sail log held against the speeds: {'; '.join(what)}. Nothing was renamed."
    if found.unheard:
        said += f" {plural(found.unheard, 'steady window')} under a doubtful name have no say in the surfaces."
    return said

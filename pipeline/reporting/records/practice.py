"""What to practise next: the tests that would narrow the borders most, and running orders for a training day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

import polars as pl

from pipeline.reporting.numbers import MISSING, Numbers
from pipeline.reporting.records.wording import measure, named


@dataclass(frozen=True, slots=True)
class Trial:
    """Two sets against each other at one wind and angle; the border's band now and after half an hour, in `unit`."""

    rank: int
    set_a: str
    set_b: str
    tws_kn: float
    twa_deg: float
    unit: str
    at: float | None
    now: float | None
    open_now: bool
    after: float | None
    open_after: bool


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of a training day, `start_min` from its start."""

    start_min: float
    minutes: float
    sail_set: str
    against: str
    tws_kn: float
    twa_deg: float
    tacks: str
    rank: int


@dataclass(frozen=True, slots=True)
class RunningOrder:
    """A day's turns for a wind between `from_kn` and `to_kn`."""

    from_kn: float
    to_kn: float
    turns: tuple[Turn, ...]

    @property
    def minutes(self) -> float:
        """Length of all turns."""
        return sum(t.minutes for t in self.turns)


@dataclass(frozen=True, slots=True)
class Practice:
    """`orders` for the wind of the best test first."""

    trials: tuple[Trial, ...]
    orders: tuple[RunningOrder, ...]


def practice(tables: Mapping[str, pl.DataFrame]) -> Practice:
    """From `test_plan` and `training_day`."""
    trials = tuple(
        Trial(
            rank=r["rank"],
            set_a=r["set_a"],
            set_b=r["set_b"],
            tws_kn=r["tws_kn"],
            twa_deg=r["twa_deg"],
            unit="deg" if r["along"] == "twa_deg" else "kn",
            at=r["at"],
            now=r["band_now"],
            open_now=bool(r["open_now"]),
            after=r["band_after_half_hour"],
            open_after=bool(r["open_after"]),
        )
        for r in tables["test_plan"].sort("rank").iter_rows(named=True)
    )
    return Practice(trials, _orders(tables["training_day"]))


def _orders(frame: pl.DataFrame) -> tuple[RunningOrder, ...]:
    rows = frame.sort("wind_from_kn", "order").iter_rows(named=True)
    orders = [
        RunningOrder(
            low,
            high,
            tuple(
                Turn(
                    r["start_minute"],
                    r["minutes"],
                    r["sail_set"],
                    r["against"],
                    r["tws_kn"],
                    r["twa_deg"],
                    r["tacks"],
                    r["rank"],
                )
                for r in group
            ),
        )
        for (low, high), group in groupby(rows, key=lambda r: (r["wind_from_kn"], r["wind_to_kn"]))
    ]
    return tuple(sorted(orders, key=lambda o: (min(t.rank for t in o.turns), o.from_kn)))


def band_now(trial: Trial, numbers: Numbers) -> str:
    """The border's band as it is, "35.2°" or "at least 3.1 kn"."""
    return _band(trial.now, trial.open_now, trial.unit, numbers)


def band_after(trial: Trial, numbers: Numbers) -> str:
    """The band expected after the half hour, in the same words."""
    return _band(trial.after, trial.open_after, trial.unit, numbers)


def _band(width: float | None, is_open: bool, unit: str, numbers: Numbers) -> str:
    if width is None:
        return MISSING
    return ("at least " if is_open else "") + measure(width, unit, numbers)


def practice_words(found: Practice, numbers: Numbers) -> str | None:
    """The best test in a sentence; None without any."""
    if not found.trials:
        return None
    t = found.trials[0]
    place = f"{numbers.plain(t.tws_kn, 0)} kn of true wind at {numbers.plain(t.twa_deg, 0)}°"
    if t.now is None or t.after is None or round(t.after, 1) >= round(t.now, 1):
        gain = f"the border where most is at stake, its band now {band_now(t, numbers)}"
    else:
        gain = f"half an hour should narrow that border from {band_now(t, numbers)} to "
        gain += band_after(t, numbers)
    return f"Practise next: {named(t.set_a)} against {named(t.set_b)} in {place}; {gain}."

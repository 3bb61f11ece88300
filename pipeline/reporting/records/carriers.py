"""Which days carry the borders: for each pair of sets, the day without which the border moves most."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from statistics import median

import polars as pl


@dataclass(frozen=True, slots=True)
class Carrier:
    """One border in one direction or mode, and its heaviest day.

    `moves` is the median over the border's `points` of the size of the move without that day, None where at half of
    them or more no border would be left; `shift` the median with its sign. `half_interval` is half of the border's own
    90 % interval, median of the closed points. `days` count those with windows of both or either set.
    """

    set_a: str
    set_b: str
    mode: str
    along: str
    points: int
    day: date
    moves: float | None
    shift: float | None
    half_interval: float | None
    days: int

    @property
    def unit(self) -> str:
        """Unit of the move."""
        return "kn" if self.along == "tws_kn" else "deg"

    @property
    def heavy(self) -> bool:
        """Whether the border hangs on that day: without it there is none, or it leaves its own interval."""
        return self.moves is None or (self.half_interval is not None and self.moves > self.half_interval)

    @property
    def weight(self) -> float:
        """Move over half interval, for ranking; infinite where no border is left."""
        if self.moves is None:
            return math.inf
        return self.moves / self.half_interval if self.half_interval else 0.0


def carriers(tables: Mapping[str, pl.DataFrame]) -> tuple[Carrier, ...]:
    """From `border_influence` and `crossovers`, the borders that hang on a day first."""
    keys = ["set_a", "set_b", "mode", "along"]
    widths = (
        tables["crossovers"]
        .drop_nulls(["crossing_low", "crossing_high"])
        .with_columns(half=(pl.col("crossing_high") - pl.col("crossing_low")) / 2.0)
    )
    half = {tuple(k): rows["half"].median() for k, rows in widths.group_by(keys)}
    ordered = tables["border_influence"].sort(*keys, "day", "at", "crossing")
    found = [
        _carrier(k, rows, half.get(k))  # type: ignore[arg-type]
        for k, rows in ordered.group_by(keys, maintain_order=True)
    ]
    return tuple(
        sorted((c for c in found if c is not None), key=lambda c: (-c.weight, c.set_a, c.set_b, c.along, c.mode))
    )


def _carrier(key: tuple[str, str, str, str], rows: pl.DataFrame, half: float | None) -> Carrier | None:
    sailed = rows.filter(pl.col("windows") > 0)
    days = [(d, [r[1] for r in some]) for d, some in groupby(sailed.select("day", "shift").iter_rows(), lambda r: r[0])]
    if not days:
        return None
    day, shifts = max(days, key=lambda ds: (_size(ds[1]), -ds[0].toordinal()))
    moves = _size(shifts)
    left = [s for s in shifts if s is not None]
    gone = math.isinf(moves)
    return Carrier(*key, len(shifts), day, None if gone else moves, None if gone else median(left), half, len(days))


def _size(shifts: list[float | None]) -> float:
    return median(math.inf if s is None else abs(s) for s in shifts)

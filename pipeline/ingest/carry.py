"""Values carried forward from the ticks they were measured in to the samples behind, no longer than they may be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.channels import BY_NAME, CHANNELS, EXTRA_MAX_AGE_S
from pipeline.ingest.readings import Floats, Ints
from pipeline.ingest.scan import Bools
from pipeline.ingest.ticks import Ticked

FRESH = "fresh"
# Bit n of `fresh`: catalogue channel n was measured in this tick; the last bit: one of the further transducers was.
FRESH_BIT = {c.name: n for n, c in enumerate(CHANNELS)}
EXTRA_BIT = 62

Seen = tuple[Ints, Ints, Floats]  # ticks, latest readings, values; none missing


def max_age_s(name: str) -> float:
    """How long a value of a channel may be carried forward."""
    return BY_NAME[name].max_age_s if name in BY_NAME else EXTRA_MAX_AGE_S


def empty_samples() -> pl.DataFrame:
    """Samples without rows, typed."""
    columns = {"time": pl.Datetime("us")} | {c.name: pl.Float64() for c in CHANNELS} | {FRESH: pl.Int64()}
    return pl.DataFrame(schema=columns)


class Carried:
    """Makes samples window by window, the last value of each source kept for the windows behind."""

    def __init__(self, names: Sequence[str]) -> None:
        """Samples will have these channels."""
        self.names = names
        self._last: dict[tuple[str, str], Seen] = {}

    def samples(
        self,
        rows: Ints,
        ticks: Mapping[str, Sequence[tuple[str, Ticked]]],
        believed: Mapping[str, Sequence[str]],
    ) -> pl.DataFrame:
        """One row a tick in `rows` (ascending), all channels beside it, from the sources in order of belief."""
        fresh = np.zeros(len(rows), np.int64)
        columns: dict[str, Floats] = {}
        for group, sources in believed.items():
            here = dict(ticks.get(group, ()))
            names = dict.fromkeys(name for t in here.values() for name in t.values)
            names |= dict.fromkeys(name for name, source in self._last if source in sources and _is_of(name, group))
            for name in names:
                value, new = self._channel(name, sources, here, rows)
                columns[name] = value
                bit = 1 << FRESH_BIT.get(name, EXTRA_BIT)
                fresh |= np.where(new, bit, 0)
        nothing = pl.Series([None], dtype=pl.Float64).new_from_index(0, len(rows))
        made = [pl.Series(n, columns[n], nan_to_null=True) if n in columns else nothing.alias(n) for n in self.names]
        return pl.DataFrame([pl.Series("time", rows).cast(pl.Datetime("us")), *made, pl.Series(FRESH, fresh)])

    def _channel(
        self, name: str, sources: Sequence[str], here: Mapping[str, Ticked], rows: Ints
    ) -> tuple[Floats, Bools]:
        """One channel on the rows, and where it was measured in that very tick."""
        value, fresh = np.full(len(rows), np.nan), np.zeros(len(rows), bool)
        for place, source in enumerate(sources):
            seen = self._seen(name, source, here.get(source))
            young, new = _on_rows(seen, rows, round(max_age_s(name) * 1e6))
            if place == 0:
                value, fresh = young, new
                continue
            gap = np.isnan(value)
            value, fresh = np.where(gap, young, value), np.where(gap, new, fresh)
        return value, fresh

    def _seen(self, name: str, source: str, ticked: Ticked | None) -> Seen | None:
        """The values of one source, those of the window behind the last one before; remembers the last of all."""
        before = self._last.get((name, source))
        if ticked is None or name not in ticked.values:
            return before
        v = ticked.values[name]
        known = ~np.isnan(v)
        seen = (ticked.tick_us, ticked.last_us, v)
        if not known.all():
            seen = (ticked.tick_us[known], ticked.last_us[known], v[known])
        if not len(seen[0]):
            return before
        self._last[name, source] = (seen[0][-1:].copy(), seen[1][-1:].copy(), seen[2][-1:].copy())
        if before is None:
            return seen
        return tuple(np.concatenate(pair) for pair in zip(before, seen, strict=True))  # type: ignore[return-value]


def _is_of(name: str, group: str) -> bool:
    return BY_NAME[name].group == group if name in BY_NAME else name == group


def _on_rows(seen: Seen | None, rows: Ints, max_age_us: int) -> tuple[Floats, Bools]:
    """The latest value at each row, if it is young enough, and whether it is of that very tick."""
    if seen is None:
        return np.full(len(rows), np.nan), np.zeros(len(rows), bool)
    tick, last, value = seen
    if len(tick) == len(rows) and np.array_equal(tick, rows):
        at, new = slice(None), np.ones(len(rows), bool)
    else:
        at = np.searchsorted(tick, rows, side="right") - 1
        none = at < 0
        new = (tick[at] == rows) & ~none
    young = rows - last[at] <= max_age_us
    if not isinstance(at, slice):
        young &= ~none
    return np.where(young, value[at], np.nan), new

"""Values carried forward from the ticks they were measured in to the samples behind, no longer than they may be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.channels import BY_NAME, CHANNELS, EXTRA_MAX_AGE_S, group_of
from pipeline.ingest.readings import Floats, Ints
from pipeline.ingest.scan import Bools
from pipeline.ingest.ticks import Ticked

FRESH = "fresh"
# Bit n of `fresh`: catalogue channel n was measured in this tick; the last bit: one of the further transducers was.
FRESH_BIT = {c.name: n for n, c in enumerate(CHANNELS)}
EXTRA_BIT = 62

Last = tuple[Ints, Ints, Floats]  # ticks, latest readings, values; none missing
Seen = Mapping[tuple[str, str], Last]  # by channel and source
Shared = dict[tuple[str, int, int, int], tuple[Ints, Ints]]


def max_age_s(name: str) -> float:
    """How long a value of a channel may be carried forward."""
    return BY_NAME[name].max_age_s if name in BY_NAME else EXTRA_MAX_AGE_S


def empty_samples() -> pl.DataFrame:
    """Samples without rows, typed."""
    columns = {"time": pl.Datetime("us")} | {c.name: pl.Float64() for c in CHANNELS} | {FRESH: pl.Int64()}
    return pl.DataFrame(schema=columns)


class Carried:
    """The last value of each channel and source, over all windows so far."""

    def __init__(self) -> None:
        """No window yet."""
        self._last: dict[tuple[str, str], Last] = {}

    def behind(self, ticks: Mapping[str, Sequence[tuple[str, Ticked]]]) -> Seen:
        """The last values before a window, whose own are taken in."""
        before = dict(self._last)
        for here in ticks.values():
            for source, ticked in here:
                for name, values in ticked.values.items():
                    at = len(values) - 1
                    if np.isnan(values[at]):
                        known = np.flatnonzero(~np.isnan(values))
                        if not len(known):
                            continue
                        at = int(known[-1])
                    one = slice(at, at + 1)
                    self._last[name, source] = tuple(  # type: ignore[assignment]
                        a[one].copy() for a in (ticked.tick_us, ticked.last_us, values)
                    )
        return before


def samples(
    names: Sequence[str],
    rows: Ints,
    ticks: Mapping[str, Sequence[tuple[str, Ticked]]],
    believed: Mapping[str, Sequence[str]],
    before: Seen,
) -> pl.DataFrame:
    """One row a tick in `rows` (ascending), the channels `names` beside it, from the sources in order of belief.

    `before`: the last values of the windows before this one.
    """
    fresh = np.zeros(len(rows), np.int64)
    measured: dict[int, tuple[Bools, int]] = {}  # channels that were measured in the same ticks together
    columns: dict[str, Floats] = {}
    places = _Places(rows)
    shared: Shared = {}
    for group, sources in believed.items():
        here = dict(ticks.get(group, ()))
        channels = dict.fromkeys(name for t in here.values() for name in t.values)
        channels |= dict.fromkeys(name for name, source in before if source in sources and group_of(name) == group)
        for name in channels:
            seen = [_seen(name, source, here.get(source), before, shared) for source in sources]
            columns[name], new = _channel(seen, places, round(max_age_s(name) * 1e6))
            bits = 1 << FRESH_BIT.get(name, EXTRA_BIT)
            measured[id(new)] = new, measured.get(id(new), (new, 0))[1] | bits
    for new, bits in measured.values():
        fresh |= np.where(new, bits, 0)
    nothing = pl.Series([None], dtype=pl.Float64).new_from_index(0, len(rows))
    made = [_column(n, columns[n]) if n in columns else nothing.alias(n) for n in names]
    return pl.DataFrame([pl.Series("time", rows).cast(pl.Datetime("us")), *made, pl.Series(FRESH, fresh)])


def _column(name: str, values: Floats) -> pl.Series:
    return pl.Series(name, values, nan_to_null=bool(np.isnan(values.sum())))


def _channel(seen: Sequence[Last | None], places: _Places, max_age_us: int) -> tuple[Floats, Bools]:
    """One channel on the rows, and where it was measured in that very tick."""
    value, fresh = _on_rows(seen[0], places, max_age_us)
    for other in seen[1:]:
        gap = np.isnan(value)
        if not gap.any():
            break
        young, new = _on_rows(other, places, max_age_us)
        value, fresh = np.where(gap, young, value), np.where(gap, new, fresh)
    return value, fresh


def _seen(name: str, source: str, ticked: Ticked | None, before: Seen, shared: Shared) -> Last | None:
    """The values of one source, those of the window behind the last one before.

    Channels that were measured together share their ticks in `shared`, so that these are looked at once.
    """
    last = before.get((name, source))
    if ticked is None or name not in ticked.values:
        return last
    v = ticked.values[name]
    missing = np.isnan(v)
    if missing.any():
        known = ~missing
        seen = (ticked.tick_us[known], ticked.last_us[known], v[known])
        if last is None:
            return seen if len(seen[0]) else None
        return tuple(np.concatenate(pair) for pair in zip(last, seen, strict=True))  # type: ignore[return-value]
    if last is None:
        return (ticked.tick_us, ticked.last_us, v) if len(v) else None
    key = source, int(last[0][0]), int(last[1][0]), id(ticked)
    if key not in shared:
        shared[key] = np.append(last[0], ticked.tick_us), np.append(last[1], ticked.last_us)
    return *shared[key], np.append(last[2], v)


class _Places:
    """Where the rows stand among the ticks of a source; found once for all channels that have the same ticks."""

    def __init__(self, rows: Ints) -> None:
        self.rows = rows
        self._at: dict[int, tuple[Ints, Ints | None, Bools]] = {}
        self._young: dict[tuple[int, int], Bools | None] = {}

    def of(self, tick: Ints) -> tuple[Ints | None, Bools]:
        """For each row the last tick up to it, -1 where there is none, and whether it is that very tick.

        None where the rows are the ticks.
        """
        held = self._at.get(id(tick))
        if held is None:
            same = len(tick) == len(self.rows) and np.array_equal(tick, self.rows)
            at = None if same else self._last_up_to(tick)
            new = np.ones(len(tick), bool) if at is None else tick.take(at) == self.rows
            held = self._at[id(tick)] = (tick, at, new)  # the ticks are held, so that their id stays theirs
        return held[1:]

    def _last_up_to(self, tick: Ints) -> Ints:
        """Ticks are fewer than rows as a rule, so that it is them that are looked for."""
        behind = np.bincount(np.searchsorted(self.rows, tick), minlength=len(self.rows) + 1)
        return np.cumsum(behind[: len(self.rows)]) - 1

    def young(self, tick: Ints, last: Ints, max_age_us: int) -> Bools | None:
        """Which rows have a tick young enough; None where all have."""
        key = id(tick), max_age_us
        if key not in self._young:
            at, _ = self.of(tick)
            young = self.rows - (last if at is None else last.take(at)) <= max_age_us
            if at is not None and len(at) and at[0] < 0:
                young &= at >= 0
            self._young[key] = None if young.all() else young
        return self._young[key]


def _on_rows(seen: Last | None, places: _Places, max_age_us: int) -> tuple[Floats, Bools]:
    """The latest value at each row, if it is young enough, and whether it is of that very tick."""
    if seen is None:
        return np.full(len(places.rows), np.nan), np.zeros(len(places.rows), bool)
    tick, last, value = seen
    at, new = places.of(tick)
    young = places.young(tick, last, max_age_us)
    shown = value if at is None else value.take(at)
    return shown if young is None else np.where(young, shown, np.nan), new

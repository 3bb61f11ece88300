"""Sentences of many rates onto one clock: one sensor a quantity, means within a tick, nothing carried too long.

A log comes in chunks, and is gone through twice: first to see what each source gives, which decides what is believed
and how fast the clock is; then window by window of time, each made into samples by itself, with the last values of the
windows before carried over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.channels import BY_NAME, CHANNELS, GROUPS, in_order_of_groups
from pipeline.ingest.carry import FRESH, Carried, empty_samples, samples
from pipeline.ingest.readings import Chunk, Chunks, DecodedLog, Ints, Track, chunks_of, joined
from pipeline.ingest.sources import Chosen, SourceCount, choose, talkers_by_group
from pipeline.ingest.spool import Spool
from pipeline.ingest.ticks import Ticked, on_clock, tick_of, usual_step_us

# A row of the clock needs a fresh value of one of these; where a log has none of them, any value makes a row.
CORE_GROUPS = ("apparent_wind", "water_speed", "heading_mag", "heading_true", "ground", "position")
# The fastest of these sets the clock; position and course only where none of these is there.
CLOCK_GROUPS = ("apparent_wind", "water_speed", "heading_mag", "heading_true")
# A source with a smaller share of the readings of the busiest does not set the clock.
LEAST_SHARE_FOR_CLOCK = 0.1
STEP_OF_ONE_READING_US = 1_000_000
MAX_EXTRA_CHANNELS = 64
FLAGS_SCHEMA = {"reason": pl.String(), "kept": pl.Boolean(), "count": pl.Int64()}
Flags = list[tuple[str, bool, int]]


class MergedLog:
    """One log on one clock.

    `rate_hz` is its rate, None for an empty log; `flags`: reason, kept, count. `batches` gives its samples in order of
    time: `time` (a multiple of the step since 1970), every catalogue channel and the further transducers as Float64
    (null where there is no value young enough), and `fresh`, a bit for each channel measured in that very tick.
    """

    def __init__(
        self, rate_hz: float | None, flags: pl.DataFrame, batches: Callable[[], Iterator[pl.DataFrame]]
    ) -> None:
        """Use `merge_log`."""
        self.rate_hz, self.flags, self._batches = rate_hz, flags, batches

    def batches(self) -> Iterator[pl.DataFrame]:
        """The samples in order of time, some at a time."""
        return self._batches()

    @cached_property
    def samples(self) -> pl.DataFrame:
        """All samples at once."""
        return pl.concat(batches) if (batches := list(self.batches())) else empty_samples()


def merge_log(log: DecodedLog, *, talkers: Mapping[str, str]) -> MergedLog:
    """`log` on its own clock, at its own rate up to 10 Hz.

    One source is believed for each group of channels (see `sources.choose`); values outside a channel's limits are set
    aside and counted. Within a tick (half a step to either side) bearings are averaged on the circle, apparent and
    instruments' wind as vectors, all else arithmetically. A value is then carried forward for at most its channel's
    maximum age, whatever the log's rate: in a slow log the ticks between readings stay empty rather than stale.
    """
    chunks = chunks_of(log.readings)
    flags: Flags = []
    sane = _Sane(chunks, _names(chunks.sizes, flags))
    counted = sane.survey(flags)
    wanted = talkers_by_group(talkers)
    believed: dict[str, tuple[str, ...]] = {}
    for group in in_order_of_groups(counted):
        chosen = choose(group, counted[group], wanted.get(group))
        _note_sources(group, chosen, flags)
        believed[group] = chosen.order
    flags += [(reason, True, n) for reason, n in log.counts.items()]
    step_us = _clock_step(sane, believed, counted)
    rate = None if step_us is None else 1e6 / step_us
    return MergedLog(rate, flags_frame(flags), lambda: _batches(sane, believed, step_us))


def flags_frame(flags: Iterable[tuple[str, bool, int]]) -> pl.DataFrame:
    """Flags as a frame, equal reasons added up, in order of their names."""
    added: dict[tuple[str, bool], int] = {}
    for reason, kept, count in flags:
        added[reason, kept] = added.get((reason, kept), 0) + count
    rows = [(reason, kept, count) for (reason, kept), count in sorted(added.items())]
    return pl.DataFrame(rows, schema=FLAGS_SCHEMA, orient="row")


# --- what is believed -----------------------------------------------------------------------------------------------


def _names(sizes: Mapping[str, int], flags: Flags) -> dict[str, str]:
    """The name of each group; those of further transducers made fit for a column, the busiest kept."""
    names = {group: group if group in GROUPS else extra_name(group) for group in sizes}
    count: dict[str, int] = {}
    for group in set(sizes).difference(GROUPS):
        count[names[group]] = count.get(names[group], 0) + sizes[group]
    ranked = sorted(count, key=lambda n: (-count[n], n))
    for name in ranked[MAX_EXTRA_CHANNELS:]:
        flags.append((f"more than {MAX_EXTRA_CHANNELS} further transducers", False, count[name]))
    dropped = set(ranked[MAX_EXTRA_CHANNELS:])
    return {group: name for group, name in names.items() if name not in dropped}


def extra_name(name: str) -> str:
    """The column of a further transducer: lower case, and never that of a catalogue channel."""
    plain = "_".join(name.lower().split())[:60] or "unnamed"
    return f"{plain}_raw" if plain in BY_NAME or plain in ("time", "file_id", FRESH) else plain


class _Sane:
    """The chunks of a log without what is implausible, groups by their names; made anew each time if they are many."""

    def __init__(self, chunks: Chunks, names: Mapping[str, str]) -> None:
        self._chunks, self._names = chunks, names
        self._kept: list[Chunk] = []
        self._last: dict[int, Chunk] = {}
        self.spans, self.folder = chunks.spans, chunks.folder

    def __getitem__(self, i: int) -> Chunk:
        if self._kept:
            return self._kept[i]
        if i not in self._last:  # windows of time overlap with a chunk or two, and with the same again
            self._last = dict(list(self._last.items())[-1:]) | {i: self._made(i, [])}
        return self._last[i]

    def _made(self, i: int, flags: Flags) -> Chunk:
        kept: dict[str, list[Track]] = {}
        for group, tracks in sorted(self._chunks[i].items()):
            if group not in self._names:
                continue
            name = self._names[group]
            for track in tracks:
                values = track.values if name == group else {name: track.values[group]}
                fine = _plausible(name, Track(track.source, track.time_us, track.place, values), flags)
                if len(fine.time_us):
                    kept.setdefault(name, []).append(fine)
        return kept

    def survey(self, flags: Flags) -> dict[str, dict[str, SourceCount]]:
        """What each source of each group gives; what is implausible is added to the flags."""
        counted: dict[str, dict[str, SourceCount]] = {}
        made = []
        for i in range(len(self._chunks)):
            chunk = self._made(i, flags)
            for group, tracks in chunk.items():
                for track in tracks:
                    counted.setdefault(group, {}).setdefault(track.source, SourceCount()).add(track)
            if self._chunks.is_in_memory:
                made.append(chunk)
        self._kept = made
        return counted


def _plausible(group: str, track: Track, flags: Flags) -> Track:
    """A track without values that are not finite or lie outside their channel's limits, and without empty rows."""
    values, some = {}, np.zeros(len(track.time_us), bool)
    whole = True
    for name, v in track.values.items():
        known = BY_NAME.get(name)
        values[name] = v
        if known is not None and len(v) and v.min() >= known.low and v.max() <= known.high:  # so none is missing
            some[:] = True
            continue
        fine = np.isfinite(v) if known is None else (v >= known.low) & (v <= known.high)
        if not fine.all():
            whole = False
            gone = int(np.count_nonzero(~fine & ~np.isnan(v)))
            if gone:
                limits = f"outside {known.low:g} to {known.high:g} {known.unit}" if known else "not a finite number"
                flags.append((f"{name} {limits}", False, gone))
                values[name] = np.where(fine, v, np.nan)
        some |= fine
    out = Track(track.source, track.time_us, track.place, values)
    if group == "position" and {"lat", "lon"} <= set(values):
        zero = (values["lat"] == 0) & (values["lon"] == 0)
        if zero.any():
            flags.append(("position 0, 0: zeros for no fix", False, int(zero.sum())))
            some &= ~zero
            whole = False
    return out if whole or some.all() else out.part(some)


def _note_sources(group: str, chosen: Chosen, flags: Flags) -> None:
    plain = group.replace("_", " ")
    for name in chosen.order[1:]:
        flags.append((f"{plain}: {name} only where {chosen.first} is silent", True, chosen.readings[name]))
    for name in chosen.aside:
        flags.append(
            (f"{plain}: second sensor {name} set aside, {chosen.first} believed", False, chosen.readings[name])
        )
    if chosen.talker_missing:
        count = chosen.readings[chosen.first]
        flags.append((f"{plain}: talker {chosen.talker_missing} not in the log, {chosen.first} believed", True, count))


# --- the clock ------------------------------------------------------------------------------------------------------


def _clock_step(
    chunks: _Sane, believed: Mapping[str, tuple[str, ...]], counted: Mapping[str, Mapping[str, SourceCount]]
) -> int | None:
    """The log's own step in microseconds, from its fastest core source; None for an empty log."""
    for groups in (CLOCK_GROUPS, ("ground", "position"), tuple(believed)):
        sizes = {g: counted[g][believed[g][0]].readings for g in groups if g in believed}
        busy = {g: believed[g][:1] for g, n in sizes.items() if n >= LEAST_SHARE_FOR_CLOCK * max(sizes.values())}
        times: dict[str, Spool[Ints]] = {g: Spool(chunks.folder) for g in busy}
        for window in _windows(chunks, 1) if busy else ():
            for group, tracks in window.tracks(busy).items():
                times[group].append(tracks[0].time_us, tracks[0].time_us.nbytes)
        steps = [s for runs in times.values() if (s := usual_step_us(runs)) is not None]
        if steps:
            return min(steps)
    return STEP_OF_ONE_READING_US if believed else None


@dataclass(frozen=True, slots=True)
class _Window:
    """A stretch of time [low, high), without an end if `high` is None, and the numbers of the chunks it lies in."""

    chunks: _Sane
    low: int
    high: int | None
    numbers: list[int]

    def tracks(self, wanted: Mapping[str, tuple[str, ...]]) -> dict[str, list[Track]]:
        """Of each wanted group the tracks of its sources, in that order."""
        here = [self.chunks[i] for i in self.numbers]
        out: dict[str, list[Track]] = {}
        for group, sources in wanted.items():
            for source in sources:
                found = [t for c in here for t in c.get(group, ()) if t.source == source]
                parts = [p for t in found if len((p := _between(t, self.low, self.high)).time_us)]
                if parts:
                    out.setdefault(group, []).append(joined(parts))
        return out


def _windows(chunks: _Sane, step_us: int) -> Iterator[_Window]:
    """Successive windows, cut between ticks where chunks begin: about a chunk each where the log's time runs on."""
    spans = [(i, *span) for i, span in enumerate(chunks.spans) if span is not None]
    cuts = sorted({tick_of(first, step_us) - step_us // 2 for _, first, _ in spans})
    for low, high in zip(cuts, [*cuts[1:], None], strict=True):
        numbers = [i for i, first, last in spans if last >= low and (high is None or first < high)]
        yield _Window(chunks, low, high, numbers)


def _between(track: Track, low: int, high: int | None) -> Track:
    first, last = track.time_us[0], track.time_us[-1]
    if first >= low and (high is None or last < high):
        return track
    start, stop = np.searchsorted(track.time_us, [low, last + 1 if high is None else high])
    return track.part(slice(int(start), int(stop)))


def _batches(chunks: _Sane, believed: Mapping[str, tuple[str, ...]], step_us: int | None) -> Iterator[pl.DataFrame]:
    """Samples, window by window."""
    if step_us is None:
        return
    core = [g for g in believed if g in CORE_GROUPS] or list(believed)
    names = [c.name for c in CHANNELS] + sorted(g for g in believed if g not in GROUPS)
    carried = Carried()

    for window in _windows(chunks, step_us):
        tracks = window.tracks(believed)
        ticks = {g: [(t.source, on_clock(t, step_us)) for t in here] for g, here in tracks.items()}
        rows = _rows([ticked for g in core if g in ticks for _, ticked in ticks[g]])
        yield samples(names, rows, ticks, believed, carried.behind(ticks))


def _rows(ticks: Sequence[Ticked]) -> Ints:
    """All ticks, each once, ascending."""
    every = list({id(t.tick_us): t.tick_us for t in ticks}.values())
    if not every:
        return np.zeros(0, np.int64)
    longest = max(every, key=len)
    rest = [t for t in every if not (len(t) == len(longest) and np.array_equal(t, longest))]
    if not rest:
        return longest
    both = np.sort(np.concatenate([longest, *rest]), kind="stable")  # which finds what is in order already
    return both[np.append(True, both[1:] != both[:-1])]

"""Sentences of many rates onto one clock: one sensor a quantity, means within a tick, nothing carried too long.

A log comes in chunks, and is gone through twice: first to see what each source gives, which decides what is believed
and how fast the clock is; then window by window of time, each made into samples by itself, with the last values of the
windows before carried over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.channels import BY_NAME, CHANNELS
from pipeline.ingest.carry import FRESH, Carried, empty_samples
from pipeline.ingest.readings import Chunk, DecodedLog, Ints, Track, chunks_of, joined
from pipeline.ingest.sources import Chosen, SourceCount, choose, talkers_by_group
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
        self.rate_hz, self.flags, self.batches = rate_hz, flags, batches

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
    names = _names(chunks, flags)
    sane, counted = _survey(chunks, names, flags)
    wanted = talkers_by_group(talkers)
    believed: dict[str, tuple[str, ...]] = {}
    for group in _in_order(counted):
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


def _in_order(groups: Iterable[str]) -> list[str]:
    """Groups of the catalogue in its order, further transducers behind."""
    found = set(groups)
    known = [g for g in dict.fromkeys(c.group for c in CHANNELS) if g in found]
    return known + sorted(found.difference(known))


def _names(chunks: Sequence[Chunk], flags: Flags) -> dict[str, str]:
    """The name of each group; those of further transducers made fit for a column, the busiest kept."""
    known = {c.group for c in CHANNELS}
    count: dict[str, int] = {}
    names: dict[str, str] = {}
    for group in {group for chunk in chunks for group in chunk}:
        names[group] = group if group in known else extra_name(group)
    for chunk in chunks:
        for group in set(chunk).difference(known):
            count[names[group]] = count.get(names[group], 0) + sum(len(t.time_us) for t in chunk[group])
    ranked = sorted(count, key=lambda n: (-count[n], n))
    for name in ranked[MAX_EXTRA_CHANNELS:]:
        flags.append((f"more than {MAX_EXTRA_CHANNELS} further transducers", False, count[name]))
    dropped = set(ranked[MAX_EXTRA_CHANNELS:])
    return {group: name for group, name in names.items() if name not in dropped}


def extra_name(name: str) -> str:
    """The column of a further transducer: lower case, and never that of a catalogue channel."""
    plain = "_".join(name.lower().split())[:60] or "unnamed"
    return f"{plain}_raw" if plain in BY_NAME or plain in ("time", "file_id", FRESH) else plain


def _survey(
    chunks: Sequence[Chunk], names: Mapping[str, str], flags: Flags
) -> tuple[list[Chunk], dict[str, dict[str, SourceCount]]]:
    """The chunks without what is implausible, groups by their names, and what each source gives."""
    sane: list[Chunk] = []
    counted: dict[str, dict[str, SourceCount]] = {}
    for chunk in chunks:
        kept: dict[str, list[Track]] = {}
        for group in sorted(chunk):
            if group not in names:
                continue
            name = names[group]
            for track in chunk[group]:
                values = track.values if name == group else {name: track.values[group]}
                fine = _plausible(name, Track(track.source, track.time_us, track.place, values), flags)
                if len(fine.time_us):
                    kept.setdefault(name, []).append(fine)
                    counted.setdefault(name, {}).setdefault(fine.source, SourceCount()).add(fine)
        sane.append(kept)
    return sane, counted


def _plausible(group: str, track: Track, flags: Flags) -> Track:
    """A track without values that are not finite or lie outside their channel's limits, and without empty rows."""
    values, some = {}, np.zeros(len(track.time_us), bool)
    whole = True
    for name, v in track.values.items():
        known = BY_NAME.get(name)
        fine = np.isfinite(v) if known is None else (v >= known.low) & (v <= known.high)
        values[name] = v
        if not fine.all():
            whole = False
            gone = int((~fine & ~np.isnan(v)).sum())
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


def _note_sources(group: str, chosen: Chosen, flags: list[tuple[str, bool, int]]) -> None:
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
    chunks: Sequence[Chunk], believed: Mapping[str, tuple[str, ...]], counted: Mapping[str, Mapping[str, SourceCount]]
) -> int | None:
    """The log's own step in microseconds, from its fastest core source; None for an empty log."""
    for groups in (CLOCK_GROUPS, ("ground", "position"), tuple(believed)):
        sizes = {g: counted[g][believed[g][0]].readings for g in groups if g in believed}
        busy = [g for g, n in sizes.items() if n >= LEAST_SHARE_FOR_CLOCK * max(sizes.values())]
        steps = [s for g in busy if (s := _step_of(chunks, g, believed[g][0])) is not None]
        if steps:
            return min(steps)
    return STEP_OF_ONE_READING_US if believed else None


def _step_of(chunks: Sequence[Chunk], group: str, source: str) -> int | None:
    only = {group: (source,)}

    def times() -> Iterator[Ints]:
        for window in _windows(chunks, only, 1):
            for tracks in window.values():
                yield tracks[0].time_us

    return usual_step_us(times)


def _windows(
    chunks: Sequence[Chunk], wanted: Mapping[str, tuple[str, ...]], step_us: int
) -> Iterator[dict[str, list[Track]]]:
    """Successive windows of time, cut between ticks: of each wanted group the tracks of its sources, in that order.

    The windows begin where the chunks do. Where the log's time runs on, each is about a chunk.
    """
    spans = [_span(chunk) for chunk in chunks]
    starts = [tick_of(np.array([first]), step_us)[0] - step_us // 2 for first, _ in spans]
    cuts = sorted({int(start) for start, (first, last) in zip(starts, spans, strict=True) if first <= last})
    for low, high in zip(cuts, [*cuts[1:], None], strict=True):
        here = [c for c, (first, last) in zip(chunks, spans, strict=True) if last >= low and (not high or first < high)]
        window: dict[str, list[Track]] = {}
        for group, sources in wanted.items():
            for source in sources:
                found = [t for c in here for t in c.get(group, ()) if t.source == source]
                parts = [p for t in found if len((p := _between(t, low, high)).time_us)]
                if parts:
                    window.setdefault(group, []).append(joined(parts))
        yield window


_NO_SPAN = (1, 0)


def _span(chunk: Chunk) -> tuple[int, int]:
    """First and last time in a chunk."""
    tracks = [t.time_us for tracks in chunk.values() for t in tracks if len(t.time_us)]
    return (int(min(t[0] for t in tracks)), int(max(t[-1] for t in tracks))) if tracks else _NO_SPAN


def _between(track: Track, low: int, high: int | None) -> Track:
    first, last = track.time_us[0], track.time_us[-1]
    if first >= low and (high is None or last < high):
        return track
    start, stop = np.searchsorted(track.time_us, [low, last + 1 if high is None else high])
    return track.part(slice(int(start), int(stop)))


def _batches(
    chunks: Sequence[Chunk], believed: Mapping[str, tuple[str, ...]], step_us: int | None
) -> Iterator[pl.DataFrame]:
    """Samples, window by window."""
    if step_us is None:
        return
    core = [g for g in believed if g in CORE_GROUPS] or list(believed)
    extra = sorted(g for g in believed if g not in _GROUPS)
    carried = Carried([c.name for c in CHANNELS] + extra)
    for window in _windows(chunks, believed, step_us):
        ticks = {
            group: [(track.source, on_clock(track, step_us)) for track in tracks] for group, tracks in window.items()
        }
        rows = _rows([ticked for g in core if g in ticks for _, ticked in ticks[g]])
        yield carried.samples(rows, ticks, believed)


_GROUPS = {c.group for c in CHANNELS}


def _rows(ticks: Sequence[Ticked]) -> Ints:
    """All ticks, each once, ascending."""
    every = list({id(t.tick_us): t.tick_us for t in ticks}.values())
    if not every:
        return np.zeros(0, np.int64)
    longest = max(every, key=len)
    rest = [t for t in every if not (len(t) == len(longest) and np.array_equal(t, longest))]
    return np.unique(np.concatenate([longest, *rest])) if rest else longest

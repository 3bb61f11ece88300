"""Sentences of many rates onto one clock: one sensor a quantity, means within a tick, nothing carried too long."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import angles
from pipeline.channels import BY_NAME, CHANNELS, EXTRA_MAX_AGE_S, Channel
from pipeline.ingest.readings import DecodedLog
from pipeline.ingest.sources import Chosen, choose, talkers_by_group

# A row of the clock needs a fresh value of one of these; where a log has none of them, any value makes a row.
CORE_GROUPS = ("apparent_wind", "water_speed", "heading_mag", "heading_true", "ground", "position")
# The fastest of these sets the clock; position and course only where none of these is there.
CLOCK_GROUPS = ("apparent_wind", "water_speed", "heading_mag", "heading_true")
CLOCK_STEPS_US = (100_000, 200_000, 250_000, *range(500_000, 60_500_000, 500_000))
# Readings closer than this are one reading sent twice: at 4,800 baud the shortest sentence takes 25 ms.
SAME_READING_US = 25_000
# A clock is too fast for a source that leaves more than this share of its ticks empty while it is talking.
LEAST_OCCUPIED = 0.6
# A source with a smaller share of the readings of the busiest does not set the clock.
LEAST_SHARE_FOR_CLOCK = 0.1
STEP_OF_ONE_READING_US = 1_000_000
# A silence this many usual steps long is a gap and says nothing about the rate.
GAP_STEPS = 5
MAX_EXTRA_CHANNELS = 64
FRESH = "fresh"
# Bit n of `fresh`: catalogue channel n was measured in this tick; the last bit: one of the further transducers was.
FRESH_BIT = {c.name: n for n, c in enumerate(CHANNELS)}
EXTRA_BIT = 62
FLAGS_SCHEMA = {"reason": pl.String(), "kept": pl.Boolean(), "count": pl.Int64()}


@dataclass(frozen=True, slots=True)
class MergedLog:
    """One log on one clock.

    `samples`: `time` (a multiple of the step since 1970), every catalogue channel and the further transducers as
    Float64 (null where there is no value young enough), and `fresh`, a bit for each channel measured in that very tick.
    `flags`: reason, kept, count.
    """

    samples: pl.DataFrame
    rate_hz: float | None
    flags: pl.DataFrame


def merge_log(log: DecodedLog, *, talkers: Mapping[str, str]) -> MergedLog:
    """`log` on its own clock, at its own rate up to 10 Hz.

    One source is believed for each group of channels (see `sources.choose`); values outside a channel's limits are set
    aside and counted. Within a tick (half a step to either side) bearings are averaged on the circle, apparent and
    instruments' wind as vectors, all else arithmetically. A value is then carried forward for at most its channel's
    maximum age, whatever the log's rate: in a slow log the ticks between readings stay empty rather than stale.
    """
    flags: list[tuple[str, bool, int]] = []
    wanted = talkers_by_group(talkers)
    believed: dict[str, list[pl.DataFrame]] = {}
    for group, frame in _plausible(_named(log.readings, flags), flags):
        chosen = choose(group, frame, _channels_of(frame), wanted.get(group))
        _note_sources(group, chosen, flags)
        parts = frame.partition_by("source", as_dict=True) if len(chosen.readings) > 1 else {(chosen.first,): frame}
        believed[group] = [parts[(name,)] for name in chosen.order]
    flags += [(reason, True, n) for reason, n in log.counts.items()]
    step_us = _clock_step({g: frames[0] for g, frames in believed.items()})
    ticks = {
        group: [on_clock(frame, step_us) for frame in frames if frame.height] for group, frames in believed.items()
    }
    return MergedLog(_samples(ticks), None if step_us is None else 1e6 / step_us, flags_frame(flags))


def flags_frame(flags: Iterable[tuple[str, bool, int]]) -> pl.DataFrame:
    """Flags as a frame, equal reasons added up, in order of their names."""
    frame = pl.DataFrame(list(flags), schema=FLAGS_SCHEMA, orient="row")
    return frame.group_by("reason", "kept").agg(pl.col("count").sum()).sort("reason", "kept").select(*FLAGS_SCHEMA)


# --- what is believed -----------------------------------------------------------------------------------------------


def _channels_of(frame: pl.DataFrame) -> list[str]:
    return [c for c in frame.columns if c not in ("time", "source")]


def _named(readings: Mapping[str, pl.DataFrame], flags: list[tuple[str, bool, int]]) -> dict[str, pl.DataFrame]:
    """Readings by group in a fixed order; names of further transducers made fit for a column, the busiest kept."""
    known = {g: readings[g] for g in dict.fromkeys(c.group for c in CHANNELS) if g in readings}
    extra: dict[str, list[pl.DataFrame]] = {}
    for group in sorted(set(readings) - set(known)):
        for channel in _channels_of(readings[group]):
            name = extra_name(channel)
            part = readings[group].select("time", "source", pl.col(channel).alias(name)).drop_nulls(name)
            extra.setdefault(name, []).append(part)
    joined = {n: p[0] if len(p) == 1 else pl.concat(p).sort("time", maintain_order=True) for n, p in extra.items()}
    ranked = sorted(joined, key=lambda n: (-joined[n].height, n))
    for name in ranked[MAX_EXTRA_CHANNELS:]:
        flags.append((f"more than {MAX_EXTRA_CHANNELS} further transducers", False, joined[name].height))
    return known | {name: joined[name] for name in sorted(ranked[:MAX_EXTRA_CHANNELS])}


def extra_name(name: str) -> str:
    """The column of a further transducer: lower case, and never that of a catalogue channel."""
    plain = "_".join(name.lower().split())[:60] or "unnamed"
    return f"{plain}_raw" if plain in BY_NAME or plain in ("time", "file_id", FRESH) else plain


def _plausible(
    readings: Mapping[str, pl.DataFrame], flags: list[tuple[str, bool, int]]
) -> Iterable[tuple[str, pl.DataFrame]]:
    """Each group without values that are not finite or lie outside their channel's limits, and without empty rows."""
    for group, frame in readings.items():
        names = _channels_of(frame)
        sane = frame.with_columns(_within(n) for n in names)
        for name in names:
            gone = sane[name].null_count() - frame[name].null_count()
            if gone:
                known = BY_NAME.get(name)
                limits = f"outside {known.low:g} to {known.high:g} {known.unit}" if known else "not a finite number"
                flags.append((f"{name} {limits}", False, gone))
        if group == "position" and {"lat", "lon"} <= set(names):
            sane, gone = _not_null_island(sane)
            if gone:
                flags.append(("position 0, 0: zeros for no fix", False, gone))
        sane = sane.filter(pl.any_horizontal(pl.col(names).is_not_null()))
        if sane.height:
            yield group, sane


def _within(name: str) -> pl.Expr:
    known = BY_NAME.get(name)
    value = pl.col(name)
    fine = value.is_finite() if known is None else value.is_between(known.low, known.high) & value.is_finite()
    return pl.when(fine).then(value).alias(name)


def _not_null_island(frame: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    zero = (frame["lat"] == 0) & (frame["lon"] == 0)
    return (frame.filter(~zero.fill_null(False)), int(zero.sum())) if zero.any() else (frame, 0)


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


def _clock_step(first: Mapping[str, pl.DataFrame]) -> int | None:
    """The log's own step in microseconds, from its fastest core source; None for an empty log."""
    for groups in (CLOCK_GROUPS, ("ground", "position"), tuple(first)):
        times = [first[g]["time"] for g in groups if g in first]
        busy = [t for t in times if len(t) >= LEAST_SHARE_FOR_CLOCK * max(map(len, times))]
        steps = [s for t in busy if (s := usual_step_us(t)) is not None]
        if steps:
            return min(steps)
    return STEP_OF_ONE_READING_US if first else None


def usual_step_us(times: pl.Series) -> int | None:
    """The step of the clock that fits one source (ascending times); None where it has fewer than two readings.

    The median interval, snapped to a step a logger would use, then slower until at least 60 % of the ticks are taken
    while the source is talking: sentences sent twice or in bursts do not make a log faster than it is.
    """
    us = times.cast(pl.Int64).to_numpy()
    apart = np.diff(us)
    apart = apart[apart >= SAME_READING_US]
    if not len(apart):
        return None
    usual = float(np.median(apart))
    talking = apart[apart <= GAP_STEPS * max(usual, 1e6)]
    span = float(talking.sum()) if len(talking) else usual
    start = _nearest_step(usual)
    for place, step in enumerate(CLOCK_STEPS_US[start:]):
        ticks = (us + step // 2) // step
        new = np.flatnonzero(np.diff(ticks)) + 1
        taken = len(new) - (len(apart) - len(talking))
        if taken * step >= LEAST_OCCUPIED * span:
            # Where a burst was seen through, its beginnings tell the step better than the share of ticks does.
            bursts = np.diff(us[np.append(0, new)])
            return max(step, CLOCK_STEPS_US[_nearest_step(float(np.median(bursts)))]) if place else step
    return CLOCK_STEPS_US[-1]


def _nearest_step(usual_us: float) -> int:
    return int(np.argmin(np.abs(np.log(np.array(CLOCK_STEPS_US) / usual_us))))


def on_clock(frame: pl.DataFrame, step_us: int) -> pl.DataFrame:
    """Readings of one source (time, source, channels) as means of each tick `time`; `last` is the latest reading."""
    names = _channels_of(frame)
    tick = ((pl.col("time").cast(pl.Int64) + step_us // 2) // step_us * step_us).cast(pl.Datetime("us"))
    ticked = frame.select(tick.alias("tick"), pl.col("time").alias("last"), *names)
    if not (ticked["tick"].cast(pl.Int64).diff() == 0).any():
        return ticked.rename({"tick": "time"})
    single = pl.col("tick").is_unique()
    alone, several = ticked.filter(single), ticked.filter(~single)
    means = _means(several, [BY_NAME[n] for n in names if n in BY_NAME], [n for n in names if n not in BY_NAME])
    return pl.concat([alone, means.select(alone.columns)]).sort("tick").rename({"tick": "time"})


_VECTORS = {("awa", "aws"), ("twa", "tws")}


def _means(ticked: pl.DataFrame, channels: list[Channel], extra: list[str]) -> pl.DataFrame:
    """One row a tick. An angle of wind is weighted by the wind's speed, other angles all count alike."""
    columns: dict[str, pl.Expr] = {"last": pl.col("last").max()}
    parts: list[pl.Series] = []
    present = [c.name for c in channels]
    for channel in channels:
        name = channel.name
        if channel.kind == "scalar":
            columns[name] = pl.col(name).mean()
            continue
        x, y = angles.components(ticked[name].to_numpy())
        parts += [_series(f"{name}:x", x), _series(f"{name}:y", y)]
        columns |= {f"{name}:x": pl.col(f"{name}:x").mean(), f"{name}:y": pl.col(f"{name}:y").mean()}
        speed = next((s for a, s in _VECTORS if a == name and s in present), None)
        if speed:
            kn = ticked[speed].to_numpy()
            parts += [_series(f"{name}:u", x * kn), _series(f"{name}:v", y * kn)]
            columns |= {f"{name}:u": pl.col(f"{name}:u").mean(), f"{name}:v": pl.col(f"{name}:v").mean()}
    columns |= {name: pl.col(name).mean() for name in extra}
    out = ticked.with_columns(parts).group_by("tick").agg(**columns).sort("tick")
    for channel in channels:
        if channel.kind != "scalar":
            out = _angle_back(out, channel, present)
    return out


def _angle_back(out: pl.DataFrame, channel: Channel, present: list[str]) -> pl.DataFrame:
    name = channel.name
    fold = angles.wrap_360 if channel.kind == "bearing" else angles.wrap_180
    mean = fold(angles.direction(out[f"{name}:x"].to_numpy(), out[f"{name}:y"].to_numpy()))
    speed = next((s for a, s in _VECTORS if a == name and s in present), None)
    made = [_series(name, mean)]
    if speed:
        u, v = out[f"{name}:u"].to_numpy(), out[f"{name}:v"].to_numpy()
        wind, length = fold(angles.direction(u, v)), np.hypot(u, v)
        made = [
            _series(name, np.where(np.isfinite(wind), wind, mean)),
            _series(speed, np.where(np.isfinite(length), length, out[speed].to_numpy())),
        ]
    return out.with_columns(made)


def _series(name: str, values: np.ndarray) -> pl.Series:
    return pl.Series(name, values, dtype=pl.Float64, nan_to_null=True)


# --- carried forward ------------------------------------------------------------------------------------------------


def _samples(ticks: Mapping[str, list[pl.DataFrame]]) -> pl.DataFrame:
    """One row a tick with a fresh core value, all channels beside it."""
    core = [f.select("time") for g, frames in ticks.items() if g in CORE_GROUPS for f in frames]
    core = core or [f.select("time") for frames in ticks.values() for f in frames]
    extra = sorted(c for g, frames in ticks.items() if g not in _GROUPS for c in _values_of(frames[0]))
    names = [c.name for c in CHANNELS] + extra
    if not core:
        return empty_samples()
    rows = pl.concat(core).unique().sort("time")
    fresh = pl.Series(FRESH, [0], dtype=pl.Int64).new_from_index(0, rows.height)
    columns: dict[str, pl.Series] = {}
    for frames in ticks.values():
        for name in _values_of(*frames):
            value, is_fresh = _channel(rows, [f for f in frames if name in f.columns], name)
            columns[name] = value
            fresh = fresh | (is_fresh.cast(pl.Int64) * (1 << FRESH_BIT.get(name, EXTRA_BIT)))
    nothing = pl.Series([None], dtype=pl.Float64).new_from_index(0, rows.height)
    return rows.with_columns(*(columns.get(n, nothing).alias(n) for n in names), fresh.alias(FRESH))


_GROUPS = {c.group for c in CHANNELS}


def empty_samples() -> pl.DataFrame:
    """Samples without rows, typed."""
    columns = {"time": pl.Datetime("us")} | {c.name: pl.Float64() for c in CHANNELS} | {FRESH: pl.Int64()}
    return pl.DataFrame(schema=columns)


def _values_of(*frames: pl.DataFrame) -> list[str]:
    return list(dict.fromkeys(c for f in frames for c in f.columns if c not in ("time", "last")))


def _channel(rows: pl.DataFrame, frames: list[pl.DataFrame], name: str) -> tuple[pl.Series, pl.Series]:
    """One channel on the rows, from its sources in order of belief, and where it was measured in that very tick."""
    value = fresh = None
    for frame in frames:
        seen = frame.select("time", "last", name).drop_nulls(name).with_columns(at=pl.col("time"))
        joined = rows.join_asof(seen, on="time", strategy="backward")
        age = (pl.col("time") - pl.col("last")).dt.total_microseconds()
        young = joined.select(
            pl.when(age <= int(max_age_s(name) * 1e6)).then(pl.col(name)).alias(name),
            new=(pl.col("at") == pl.col("time")).fill_null(False),
        )
        if value is None or fresh is None:
            value, fresh = young[name], young["new"]
        else:
            gap = value.is_null()
            value, fresh = young[name].zip_with(gap, value), young["new"].zip_with(gap, fresh)
    assert value is not None and fresh is not None
    return value, fresh


def max_age_s(name: str) -> float:
    """How long a value of a channel may be carried forward."""
    return BY_NAME[name].max_age_s if name in BY_NAME else EXTRA_MAX_AGE_S

"""Reads the fields of many sentences at once, all kinds in one go, by their layouts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ingest.clock import NO_TIME, SECOND, Bools, Ints, civil_days, clock_fits, full_year
from pipeline.ingest.columns import Columns, read_all_numbers, split_fields
from pipeline.ingest.numbers import read_digits
from pipeline.ingest.scan import COMMA, Bytes, Text
from pipeline.ingest.sentences import LAYOUTS, Layout

FINE, BAD_FIELD, BAD_TIME, TOO_FEW = range(4)
_DOT = ord(".")
_HMS = 6  # digits of hhmmss
_MOST_FRACTION = 8
MOST_FIELDS = max(layout.fields for layout in LAYOUTS.values())


@dataclass(frozen=True, slots=True)
class Fields:
    """What sentences of one kind say: one entry a sentence.

    `state`: FINE, or why it is rejected. `values`: an array a channel, NaN where nothing is taken. `time_of_day_us`
    and `day` (days since 1970-01-01), NO_TIME where the sentence gives none.
    """

    state: Bytes
    values: dict[str, NDArray[np.float64]]
    time_of_day_us: Ints
    day: Ints


def read_fields(text: Text, commas: Ints, bodies: Mapping[str, tuple[Ints, Ints, Ints]]) -> dict[str, Fields]:
    """Reads sentences of many kinds.

    `bodies`, by kind: index of the first comma in each body, and its place [start, end) in the text; a body is what
    stands between the address and its comma, and `*`. `commas`: see `commas_of`.
    """
    split = {
        kind: split_fields(text, commas, first, start, end, LAYOUTS[kind].fields)
        for kind, (first, start, end) in bodies.items()
    }
    few = {kind: columns.is_missing(LAYOUTS[kind].least - 1) for kind, columns in split.items()}
    split = {kind: _prepared(columns, LAYOUTS[kind]) for kind, columns in split.items()}
    read_all_numbers(text, [(columns, LAYOUTS[kind].numbers) for kind, columns in split.items()])
    return {kind: _read_kind(columns, LAYOUTS[kind], few[kind]) for kind, columns in split.items()}


def commas_of(text: Text) -> Ints:
    """Places of the commas with some more behind all bodies, for the fields that sentences lack."""
    found = np.ones(text.length + MOST_FIELDS, bool)
    np.equal(text.raw[: text.length], COMMA, out=found[: text.length])
    return np.flatnonzero(found)


def _prepared(columns: Columns, layout: Layout) -> Columns:
    return columns if layout.prepare is None else layout.prepare(columns)


def _read_kind(columns: Columns, layout: Layout, few: Bools) -> Fields:
    read = _read(columns, layout, few)
    odd = np.flatnonzero(read.state != FINE)
    if len(odd):  # blanks around a field are no damage: look again without them
        again = _prepared(columns.stripped(odd), layout)
        read_all_numbers(again.text, [(again, layout.numbers)])
        _patch(read, odd, _read(again, layout, few[odd]))
    return read


def _patch(read: Fields, at: Ints, again: Fields) -> None:
    """Some of the sentences as read a second time."""
    read.state[at], read.time_of_day_us[at], read.day[at] = again.state, again.time_of_day_us, again.day
    for name, values in again.values.items():
        read.values[name] = np.array(read.values[name])  # it may be a view of all numbers, or shared
        read.values[name][at] = values


def _read(columns: Columns, layout: Layout, few: Bools) -> Fields:
    bad = np.zeros(columns.n, bool)
    for unreadable in columns.unreadable.values():
        bad |= unreadable
    for i, letters in layout.letters.items():
        bad |= columns.is_other(i, letters)
    for test in layout.wrong:
        bad |= test(columns)
    state = np.where(bad, BAD_FIELD, FINE).astype(np.uint8)
    time_us, day, bad_time = _times(columns, layout)
    state[~bad & bad_time] = BAD_TIME
    state[few] = TOO_FEW
    values = {name: value(columns) for name, value in layout.values.items()}
    sound = state == FINE
    if layout.valid is not None:
        valid = layout.valid(columns)
        sound &= valid
        if not valid.all():
            values = {name: np.where(valid, v, np.nan) for name, v in values.items()}
    return Fields(state, values, np.where(sound, time_us, NO_TIME), np.where(sound, day, NO_TIME))


def _times(columns: Columns, layout: Layout) -> tuple[Ints, Ints, Bools]:
    """Time of day, day, and which of the sentences have a time or date that cannot be; a blank one is none.

    Second 60 is a leap second's. Without day, month or year there is no date.
    """
    nothing = np.full(columns.n, NO_TIME, np.int64)
    if layout.time is None:
        return nothing, nothing, np.zeros(columns.n, bool)
    hms, fraction_us, formed = _time_of_day(columns, layout.time)
    hour, minute, second = hms // 10_000, hms // 100 % 100, hms % 100
    good = formed & clock_fits(hour, minute, second)
    time_us = np.where(good, (hour * 3600 + minute * 60 + second) * SECOND + fraction_us, NO_TIME)
    bad = ~columns.is_blank(layout.time) & ~good
    if not layout.date:
        return time_us, nothing, bad
    sizes = ((6, 6),) if len(layout.date) == 1 else ((1, 2), (1, 2), (4, 4))
    parts, blank, formed = [], np.zeros(columns.n, bool), np.ones(columns.n, bool)
    for i, (least, most) in zip(layout.date, sizes, strict=True):
        size = columns.end[i] - columns.start[i]
        number, digits = read_digits(columns.text, columns.start[i], np.clip(size, 1, most))
        fits = digits & (size >= least) & (size <= most)
        blank |= size <= 0
        formed &= fits | (size <= 0)
        parts.append(np.where(fits, number, -1))
    if len(parts) == 1:
        parts = [parts[0] // 10_000, parts[0] // 100 % 100, full_year(parts[0] % 100)]
    days, exists = civil_days(parts[2], parts[1], parts[0])
    bad_date = ~formed | (~blank & ~exists)
    return time_us, np.where(blank | bad_date, NO_TIME, days), bad | bad_date


def _time_of_day(columns: Columns, i: int) -> tuple[Ints, Ints, Bools]:
    """The digits `hhmmss` as a number, the fraction behind them in us, and which fields have the form `hhmmss[.f]`."""
    text, start = columns.text, columns.start[i]
    size = columns.end[i] - start
    hms, formed = read_digits(text, start, np.full(columns.n, _HMS))
    formed &= (size >= _HMS) & ((size == _HMS) | (text.raw[start + _HMS] == _DOT))
    fraction_us = np.zeros(columns.n, np.int64)
    behind = np.flatnonzero(formed & (size > _HMS + 1))
    if len(behind):
        count = size[behind] - _HMS - 1
        held = np.minimum(count, _MOST_FRACTION)
        digits, plain = read_digits(text, start[behind] + _HMS + 1, held)
        fraction_us[behind] = np.rint(digits / 10.0**held * SECOND)
        formed[behind] = plain
        rest = behind[count > held]
        if len(rest):
            fraction_us[rest], formed[rest] = _long_fraction(text, start[rest] + _HMS, columns.end[i][rest])
    return np.where(formed, hms, 0), np.where(formed, fraction_us, 0), formed


def _long_fraction(text: Text, start: Ints, end: Ints) -> tuple[Ints, Bools]:
    written = text.strings(start, end)
    plain: Bools = written.str.contains(r"^\.\d*$").to_numpy()
    fraction = written.cast(pl.Float64, strict=False).fill_null(0.0).to_numpy()
    return np.where(plain, np.rint(np.where(plain, fraction, 0.0) * SECOND), 0).astype(np.int64), plain

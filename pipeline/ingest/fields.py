"""Reads the fields of many sentences of one kind at once, by their layout."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from pipeline.ingest.clock import NO_TIME, SECOND, Bools, Ints, civil_days, clock_fits, full_year
from pipeline.ingest.scan import Bytes
from pipeline.ingest.sentences import LAYOUTS, Layout, number, text

FINE, BAD_FIELD, BAD_TIME, TOO_FEW = range(4)


@dataclass(frozen=True, slots=True)
class Fields:
    """What sentences of one kind say: one entry a sentence.

    `state`: FINE, or why it is rejected. `values`: a column a channel, null where nothing is taken. `time_of_day_us`
    and `day` (days since 1970-01-01), NO_TIME where the sentence gives none.
    """

    state: Bytes
    values: pl.DataFrame
    time_of_day_us: Ints
    day: Ints


def read_fields(bodies: pl.Series, kind: str) -> Fields:
    """Reads the bodies (what stands between the address and its comma, and `*`) of sentences of one kind."""
    layout = LAYOUTS[kind]
    raw = bodies.str.split_exact(",", layout.fields - 1).struct.unnest()
    read = _read(raw, kind)
    bad = np.flatnonzero(read.state != FINE)
    if len(bad):  # blanks around a field are no damage: look again without them
        again = _read(raw[bad].with_columns(pl.all().str.strip_chars(" ")), kind)
        read = _patched(read, bad, again)
    return read


@dataclass(frozen=True, slots=True)
class _Expressions:
    """A layout as expressions, built once: numbers, then channels and the flags `valid` and `bad`."""

    numbers: list[pl.Expr]
    outputs: list[pl.Expr]


@cache
def _expressions(kind: str) -> _Expressions:
    layout = LAYOUTS[kind]
    numbers = [text(i).cast(pl.Float64, strict=False).alias(f"number_{i}") for i in layout.numbers]
    bad = [((text(i) != "") & ~number(i).is_finite().fill_null(False)) for i in layout.numbers]
    bad += [_not_letter(i, letters) for i, letters in layout.letters.items()]
    bad += list(layout.wrong)
    values = layout.values
    outputs = [(e if layout.valid is None else pl.when(layout.valid).then(e)).alias(n) for n, e in values.items()]
    if layout.valid is not None:
        outputs.append(layout.valid.fill_null(False).alias("valid"))
    if bad:
        outputs.append(pl.any_horizontal(bad).fill_null(False).alias("bad"))
    return _Expressions(numbers, outputs + _time_expressions(layout))


def _read(raw: pl.DataFrame, kind: str) -> Fields:
    layout, expressions, n = LAYOUTS[kind], _expressions(kind), len(raw)
    few = raw[f"field_{layout.least - 1}"].is_null().to_numpy()
    if layout.prepare is not None:
        raw = layout.prepare(raw)
    out = raw.lazy().with_columns(expressions.numbers).select(expressions.outputs).collect()
    flags = {name: out[name].to_numpy() if name in out.columns else None for name in ("valid", "bad")}
    state = np.zeros(n, np.uint8)
    if flags["bad"] is not None:
        state[flags["bad"]] = BAD_FIELD
    time_us, day, bad_time = _times(out, layout)
    state[(state == FINE) & bad_time] = BAD_TIME
    state[few] = TOO_FEW
    sound = (state == FINE) if flags["valid"] is None else (state == FINE) & flags["valid"]
    values = out.select(list(layout.values))
    return Fields(state, values, np.where(sound, time_us, NO_TIME), np.where(sound, day, NO_TIME))


def _not_letter(i: int, letters: str) -> pl.Expr:
    out = text(i) != ""
    for letter in letters:
        out = out & (text(i) != letter)
    return out


def _patched(read: Fields, at: Ints, again: Fields) -> Fields:
    """The first reading with some of its rows replaced by a second one."""
    state, time_us, day = read.state.copy(), read.time_of_day_us.copy(), read.day.copy()
    state[at], time_us[at], day[at] = again.state, again.time_of_day_us, again.day
    values = read.values
    if len(again.values.columns):
        order = np.arange(len(state))
        order[at] = len(state) + np.arange(len(at))
        values = pl.concat([read.values, again.values])[order]
    return Fields(state, values, time_us, day)


def _time_expressions(layout: Layout) -> list[pl.Expr]:
    """Time and date as written, checked for their form: `hhmmss[.f]`, `ddmmyy` or day, month and four-digit year."""
    if layout.time is None:
        return []
    time = text(layout.time)
    out = [
        _blank(time).alias("time_blank"),
        time.str.contains(r"^\d{6}(?:\.\d*)?$").fill_null(False).alias("time_formed"),
        time.str.slice(0, 6).cast(pl.Int32, strict=False).fill_null(-1).alias("hms"),
        time.str.slice(6).cast(pl.Float64, strict=False).fill_null(0.0).alias("fraction"),
    ]
    if not layout.date:
        return out
    parts = [text(i) for i in layout.date]
    forms = [r"^\d{6}$"] if len(parts) == 1 else [r"^\d{1,2}$", r"^\d{1,2}$", r"^\d{4}$"]
    formed = [_blank(p) | p.str.contains(form).fill_null(False) for p, form in zip(parts, forms, strict=True)]
    out += [pl.any_horizontal(_blank(p) for p in parts).alias("date_blank")]
    out += [pl.all_horizontal(formed).alias("date_formed")]
    return out + [p.cast(pl.Int32, strict=False).fill_null(-1).alias(f"date_{k}") for k, p in enumerate(parts)]


def _blank(field: pl.Expr) -> pl.Expr:
    return field.is_null() | (field == "")


def _times(out: pl.DataFrame, layout: Layout) -> tuple[Ints, Ints, Bools]:
    """Time of day, day, and which of the sentences have a time or date that cannot be; a blank one is none.

    Second 60 is a leap second's. Without day, month or year there is no date.
    """
    n = len(out)
    nothing = np.full(n, NO_TIME, np.int64)
    if layout.time is None:
        return nothing, nothing, np.zeros(n, bool)
    blank, formed = out["time_blank"].to_numpy(), out["time_formed"].to_numpy()
    hms = out["hms"].to_numpy().astype(np.int64)
    hour, minute, second = hms // 10_000, hms // 100 % 100, hms % 100
    good = formed & clock_fits(hour, minute, second)
    fraction_us = np.where(formed, np.rint(out["fraction"].to_numpy() * SECOND), 0).astype(np.int64)
    time_us = np.where(good, (hour * 3600 + minute * 60 + second) * SECOND + fraction_us, NO_TIME)
    bad = ~blank & ~good
    if not layout.date:
        return time_us, nothing, bad
    parts = [out[f"date_{k}"].to_numpy().astype(np.int64) for k in range(len(layout.date))]
    if len(parts) == 1:
        parts = [parts[0] // 10_000, parts[0] // 100 % 100, full_year(parts[0] % 100)]
    days, exists = civil_days(parts[2], parts[1], parts[0])
    blank, formed = out["date_blank"].to_numpy(), out["date_formed"].to_numpy()
    bad_date = ~formed | (~blank & ~exists)
    return time_us, np.where(blank | bad_date, NO_TIME, days), bad | bad_date

"""Time stamps of CSV logs, as whole columns: RFC 3339, epoch, any strptime format, zones, leap seconds."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timezone

import polars as pl

from pipeline.campaign.stamps import load_zone

US_PER_S = 1_000_000
US_PER_DAY = 86_400 * US_PER_S
# Numbers below are no plausible epoch seconds (1973): a count since power-up, or a spreadsheet's day number.
EPOCH_FLOOR_S = 1e8
# Epoch numbers are told apart by size: seconds stay below the first until the year 5138.
EPOCH_SIZES = ((1e11, 1e6), (1e14, 1e3), (1e17, 1.0), (float("inf"), 1e-3))
# A stamp this far from the middle of its log is a damaged one: no log runs for so long.
MAX_DAYS_FROM_MEDIAN = 5 * 366

NO_TIME = "no time"
UNREADABLE = "unreadable time"
NO_DATE = "time without a date"
NOT_A_LEAP_SECOND = "second 60 where no leap second can be"
TWICE = "local time occurs twice (clocks go back)"
NEVER = "local time does not exist (clocks go forward)"
FAR_AWAY = "time years away from the rest of the log"

# What a stamp is before zones and dates are known.
INSTANT, LOCAL, TIME_OF_DAY = 1, 2, 3
STAMP_SCHEMA = {"us": pl.Int64(), "kind": pl.Int8(), "leap": pl.Boolean()}

_DATE = r"(\d{4})([-/]?)(\d\d)[-/]?(\d\d)"
_CLOCK = r"(\d\d):?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?"
_ZONE = r"([Zz]|UTC|GMT|[+-](?:[01]\d|2[0-3])(?::?[0-5]\d)?)?"
_STAMP = rf"^{_DATE}(?:[Tt_]| +){_CLOCK} *{_ZONE}$"
_TIME_OF_DAY = r"^(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?$"
_NUMBER = r"^\d{9,19}(?:[.,]\d*)?$"


@dataclass(frozen=True, slots=True)
class Times:
    """`time` (naive UTC, null where unreadable), `reason` (null where read), `dated`, and how often time went back."""

    time: pl.Series
    reason: pl.Series
    dated: bool
    went_back: int


def read_stamps(text: pl.Series, time_format: str) -> pl.DataFrame:
    """Stamps as microseconds and kind (`STAMP_SCHEMA`), in the order of `text`; null where unreadable.

    `time_format` is "auto" (RFC 3339 with or without zone, blank instead of T, compact, epoch by size, time of day
    alone), "epoch_s", "epoch_ms" or a strptime format. Raises `ValueError` for a format that cannot be used.
    """
    text = text.str.strip_chars(" \t").rename("text")
    if time_format in ("epoch_s", "epoch_ms"):
        return _epoch(text, 1e6 if time_format == "epoch_s" else 1e3)
    if time_format != "auto":
        return _by_format(text, time_format)
    out = _fast(text)
    left = out["us"].is_null() & text.is_not_null()
    if not left.any():
        return out
    rest = text.filter(left)
    slow = _first_readable(_epoch_by_size(rest), _iso(rest), _time_of_day(rest))
    where = left.arg_true()
    return out.with_columns(out[c].scatter(where, slow[c]) for c in out.columns)


def settle(stamps: pl.DataFrame, time_zone: str, first_date: date | None) -> Times:
    """Stamps of a whole log as UTC: zones, dates of bare times of day, leap seconds moved to the next second.

    A log of bare times of day gets `first_date`, one day more after each midnight; without `first_date` it counts from
    1970-01-01 and is not `dated`. Local times that a change of clocks makes double or skips are not guessed at.
    """
    us, kind = stamps["us"], stamps["kind"]
    dated = first_date is not None or bool(kind.is_in([INSTANT, LOCAL]).any()) or us.null_count() == us.len()
    only_clock = kind.eq_missing(TIME_OF_DAY)
    reason = pl.Series("reason", [None], dtype=pl.String).new_from_index(0, us.len())
    if only_clock.any():
        if bool(kind.is_in([INSTANT, LOCAL]).any()):
            us, reason = _drop(us, reason, only_clock, NO_DATE)
        else:
            us = _roll_midnights(us, first_date)
            kind = pl.Series("kind", [LOCAL if dated else INSTANT], dtype=pl.Int8).new_from_index(0, us.len())
    us, reason = _to_utc(us, kind, reason, time_zone)
    leap = stamps["leap"] & us.is_not_null()
    if leap.any() and dated:
        us, reason = _drop(us, reason, leap & (us % US_PER_DAY >= US_PER_S), NOT_A_LEAP_SECOND)
    if us.len() > us.null_count():
        far = ((us - int(us.median() or 0)).abs() > MAX_DAYS_FROM_MEDIAN * US_PER_DAY).fill_null(False)
        us, reason = _drop(us, reason, far, FAR_AWAY)
    back = int((us.drop_nulls().diff() < 0).sum())
    return Times(us.cast(pl.Datetime("us")).rename("time"), reason, dated, back)


def _drop(us: pl.Series, reason: pl.Series, where: pl.Series, why: str) -> tuple[pl.Series, pl.Series]:
    if not where.any():
        return us, reason
    at = where.arg_true()
    return us.scatter(at, None), reason.scatter(at, why)


def _to_utc(us: pl.Series, kind: pl.Series, reason: pl.Series, zone: str) -> tuple[pl.Series, pl.Series]:
    local = kind.eq_missing(LOCAL) & us.is_not_null()
    if zone == "UTC" or not local.any():
        return us, reason
    at = local.arg_true()
    fixed = load_zone(zone)
    if isinstance(fixed, timezone):
        offset_us = round((fixed.utcoffset(None)).total_seconds() * US_PER_S)
        return us.scatter(at, us.filter(local) - offset_us), reason
    naive = us.filter(local).cast(pl.Datetime("us"))
    try:
        aware = naive.dt.replace_time_zone(zone, ambiguous="null", non_existent="null")
    except pl.exceptions.PolarsError as error:
        raise ValueError(f"time zone {zone!r} is not known; use a name such as 'Europe/Paris'") from error
    earliest = naive.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    why = (
        pl.DataFrame({"bad": aware.is_null(), "double": earliest.is_not_null()})
        .select(pl.when("bad").then(pl.when("double").then(pl.lit(TWICE)).otherwise(pl.lit(NEVER))))
        .to_series()
    )
    utc = aware.dt.convert_time_zone("UTC").dt.replace_time_zone(None).cast(pl.Int64)
    return us.scatter(at, utc), reason.scatter(at, why)


def _roll_midnights(us: pl.Series, first_date: date | None) -> pl.Series:
    """Times of day with a day added at each step back of more than half a day."""
    seen = us.forward_fill()
    day = (seen.diff() < -US_PER_DAY // 2).fill_null(False).cast(pl.Int64).cum_sum()
    start = (first_date - date(1970, 1, 1)).days if first_date else 0
    return us + (day + start) * US_PER_DAY


def _stamps(us: pl.Series, kind: int | pl.Series, leap: pl.Series | None = None) -> pl.DataFrame:
    n = us.len()
    kinds = kind if isinstance(kind, pl.Series) else pl.Series([kind], dtype=pl.Int8).new_from_index(0, n)
    leaps = pl.Series([False]).new_from_index(0, n) if leap is None else leap.fill_null(False)
    out = pl.DataFrame({"us": us.cast(pl.Int64), "kind": kinds.cast(pl.Int8), "leap": leaps})
    return out.with_columns(pl.when(pl.col("us").is_not_null()).then(pl.col("kind")))


def _first_readable(*tries: pl.DataFrame) -> pl.DataFrame:
    out = tries[0]
    for other in tries[1:]:
        gap = out["us"].is_null()
        out = pl.DataFrame({c: other[c].zip_with(gap, out[c]) for c in STAMP_SCHEMA})
    return out


def _fast(text: pl.Series) -> pl.DataFrame:
    """The canonical forms of one layout, by the library's own parser; what differs from the first stamp stays null."""
    first = text.drop_nulls().head(1)
    shape = re.fullmatch(r"\d{4}-\d\d-\d\d([T ])\d\d:\d\d:\d\d(?:\.\d+)?(Z?)", first[0]) if first.len() else None
    if shape is None:
        return _stamps(pl.Series([None], dtype=pl.Int64).new_from_index(0, text.len()), LOCAL)
    between, zone = shape.groups()
    strict = rf"^\d{{4}}-\d\d-\d\d{between}[0-2]\d:[0-5]\d:[0-5]\d(?:\.\d{{1,9}})?{zone}$"
    ok = text.str.contains(strict).fill_null(False)
    chosen = text if ok.all() else text.set(~ok, None)
    us = chosen.str.to_datetime(f"%Y-%m-%d{between}%H:%M:%S%.f{zone}", time_unit="us", strict=False)
    return _stamps(us, INSTANT if zone else LOCAL)


def _iso(text: pl.Series) -> pl.DataFrame:
    names = ["year", "dash", "month", "day", "hour", "minute", "second", "fraction", "zone"]
    parts = text.str.extract_groups(_STAMP).struct.unnest()
    parts.columns = names
    us, leap = _civil(parts)
    zone = parts["zone"]
    sign = pl.when(zone.str.starts_with("-")).then(-1).otherwise(1)
    digits = zone.str.replace_all(r"\D", "")
    hours = digits.str.slice(0, 2).cast(pl.Int64, strict=False).fill_null(0)
    minutes = digits.str.slice(2, 2).cast(pl.Int64, strict=False).fill_null(0)
    offset = parts.select(sign * (hours * 60 + minutes) * 60 * US_PER_S).to_series()
    kind = parts.select(pl.when(zone.is_null()).then(LOCAL).otherwise(INSTANT)).to_series()
    return _stamps(us - offset, kind, leap)


def _time_of_day(text: pl.Series) -> pl.DataFrame:
    parts = text.str.extract_groups(_TIME_OF_DAY).struct.unnest()
    parts.columns = ["hour", "minute", "second", "fraction"]
    known = parts["hour"].is_not_null()
    fixed = {k: pl.when(known).then(pl.lit(v)) for k, v in (("year", "1970"), ("month", "01"), ("day", "01"))}
    us, leap = _civil(parts.with_columns(parts["hour"].str.zfill(2)).with_columns(**fixed))
    return _stamps(us, TIME_OF_DAY, leap)


def _civil(parts: pl.DataFrame) -> tuple[pl.Series, pl.Series]:
    """Microseconds of calendar parts, null for dates and times that do not exist; second 60 is the next second."""
    frame = parts.with_columns(pl.when(pl.col("minute").is_not_null()).then(pl.col("second").fill_null("00")))
    text = pl.concat_str(
        ["year", "month", "day", "hour", "minute", pl.col("second").replace("60", "59")], separator=" "
    )
    micro = (pl.col("fraction").fill_null("") + "000000").str.slice(0, 6).cast(pl.Int64)
    made = frame.select(
        us=text.str.to_datetime("%Y %m %d %H %M %S", time_unit="us", strict=False).cast(pl.Int64)
        + micro
        + (pl.col("second") == "60").cast(pl.Int64) * US_PER_S,
        leap=pl.col("second") == "60",
    )
    return made["us"], made["leap"]


def _number(text: pl.Series) -> pl.Series:
    return text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)


def _epoch(text: pl.Series, us_per_unit: float) -> pl.DataFrame:
    value = _number(text)
    fine = value.is_finite() & (value >= 0) & (value * us_per_unit < 4e17)
    return _stamps((value.set(~fine.fill_null(False), None) * us_per_unit).round().cast(pl.Int64), INSTANT)


def _epoch_by_size(text: pl.Series) -> pl.DataFrame:
    compact = r"^(?:19|20)\d{12}$"  # 20240229235959: a calendar stamp, not milliseconds of the year 2611
    value = _number(text.set(~(text.str.contains(_NUMBER) & ~text.str.contains(compact)), None))
    value = value.set((value < EPOCH_FLOOR_S).fill_null(False), None)
    us = pl.lit(None, dtype=pl.Float64)
    for below, us_per_unit in reversed(EPOCH_SIZES):
        us = pl.when(value < below).then(value * us_per_unit).otherwise(us)
    epoch = _stamps(pl.select(us.round().cast(pl.Int64)).to_series(), INSTANT)
    packed = text.set(~text.str.contains(compact), None)
    spaced = packed.str.to_datetime("%Y%m%d%H%M%S", time_unit="us", strict=False)
    return _first_readable(epoch, _stamps(spaced, LOCAL))


def _by_format(text: pl.Series, time_format: str) -> pl.DataFrame:
    """By a strptime format as Python knows it: fractions `%f` of any length, zones `%z` and `%Z` (UTC, GMT, Z)."""
    has_date = re.search(r"%-?[YyFDscxG]", time_format) is not None
    if not has_date and re.search(r"%-?[dmjbB]", time_format):
        raise ValueError(f"time_format {time_format!r} has a day or month but no year")
    kind = LOCAL if has_date else TIME_OF_DAY
    if time_format.endswith(("Z", "%z")):  # a literal Z, %Z or %z
        kind = INSTANT
        if time_format.endswith("%Z"):
            text, time_format = text.str.replace(r"\s*(UTC|GMT|Z)$", "+0000"), time_format[:-2].rstrip() + "%z"
        elif time_format.endswith("%z"):
            text = text.str.replace(r"[Zz]$", "+0000").str.replace(r"([+-]\d\d):(\d\d)$", "${1}${2}")
    if kind == INSTANT and not has_date:
        raise ValueError(f"time_format {time_format!r} has a zone but no date")
    text, time_format = _fractions(text, time_format)
    if kind == TIME_OF_DAY:
        text, time_format = "1970-01-01 " + text, "%Y-%m-%d " + time_format
    leap = text.str.contains(r"(?:^|\D)\d\d?:\d\d:60(?:\D|$)")
    try:
        times = text.str.to_datetime(time_format, time_unit="us", strict=False)
    except pl.exceptions.PolarsError as error:
        raise ValueError(f"time_format {time_format!r} cannot be used: {str(error).splitlines()[0]}") from error
    if isinstance(times.dtype, pl.Datetime) and times.dtype.time_zone:
        times = times.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    return _stamps(times.cast(pl.Int64), kind, leap)


def _fractions(text: pl.Series, time_format: str) -> tuple[pl.Series, str]:
    """`%f` is digits of a fraction, whatever stands before it; the parser knows that only behind a point."""
    found = re.search(r"([^\w%])%f", time_format)
    if found is None:
        return text, time_format
    mark = re.escape(found.group(1))
    return text.str.replace(rf"(\d\d){mark}(\d{{1,9}})(\D*)$" if found.group(1) != "." else "$^", "${1}.${2}${3}"), (
        time_format.replace(found.group(0), "%.f")
    )

"""What stands in front of a sentence: time stamps and TAG blocks.

Stamps are RFC 3339 (also with a blank for the `T`, lower case, and without a zone, then UTC) or the UNIX time in
seconds, milliseconds or microseconds, told apart by size. TAG blocks are `\\fields*HH\\` with their own checksum over
the text between the first backslash and `*`; source: gpsd, `www/AIVDM.adoc`, "NMEA Tag Blocks". The unit of their key
`c` is told by size as well (above 1e11 milliseconds: from memory, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ingest.clock import NO_TIME, civil_days, clock_fits
from pipeline.ingest.scan import BACKSLASH, STAR, Bools, Bytes, Ints, Text

US = 1_000_000
# A number counts as UNIX time from 1e8 s (1973) on; a thousand times larger it is in ms, a million times in us.
EPOCH_FROM_S, EPOCH_FROM_MS, EPOCH_FROM_US, EPOCH_BELOW = 1e8, 1e11, 1e14, 1e17

FINE, FOREIGN, BAD_STAMP, BAD_TAG_SUM, CUT_TAG = range(5)

_SEPARATORS = " \t,;:|=\"'[]()<>\x00-"
_STAMP = (
    r"^(?:[A-Za-z][\w./-]*[\s,;:]+)?"
    r"(\d{4})-(\d{2})-(\d{2})[Tt _,;\t]+(\d{2}):(\d{2}):(\d{2})(?:[.,](\d+))?"
    r"\s*(?:([Zz]|UTC)|([+-]\d{2}):?(\d{2})?)?(?:[\s,;]+[A-Za-z][\w./-]*)?$"
)
_LOOKS_LIKE_DATE = r"\d{4}-\d{1,2}-|\d-\d{1,2}[Tt ]\d{1,2}:|^\d{9,17}(?:\.\d*)?\D*$"
_CANONICAL_BYTES = 48


@dataclass(frozen=True, slots=True)
class Fronts:
    """What was read in front of each sentence: `stamp_us` and `tag_us` (UNIX time in us, or NO_TIME), `state`.

    States: FINE; FOREIGN, text that is no stamp; BAD_STAMP, a stamp that cannot be read or is impossible; BAD_TAG_SUM;
    CUT_TAG, a TAG block that does not close or has no readable time in its key `c`.
    """

    stamp_us: Ints
    tag_us: Ints
    state: Bytes


def read_fronts(text: Text, start: Ints, end: Ints) -> Fronts:
    """Reads the pieces [start, end), ascending and apart from each other, that stand in front of sentences."""
    n = len(start)
    state = np.full(n, FINE, np.uint8)
    tag_us = np.full(n, NO_TIME, np.int64)
    stamp_from, stamp_to = start.copy(), end.copy()
    if n and text.has(BACKSLASH):
        _read_tags(text, start, end, tag_us, state, stamp_from, stamp_to)
    stamp_us, stamp_state = read_stamps(text, stamp_from, stamp_to)
    return Fronts(stamp_us, tag_us, np.maximum(state, stamp_state))


def _read_tags(
    text: Text, start: Ints, end: Ints, tag_us: Ints, state: Bytes, stamp_from: Ints, stamp_to: Ints
) -> None:
    """Reads all TAG blocks into `tag_us` and `state`, and narrows the stamps' places to what is outside them."""
    slash = text.find(BACKSLASH)
    owner = np.searchsorted(start, slash, side="right") - 1
    inside = (owner >= 0) & (slash < end[np.maximum(owner, 0)])
    slash, owner = slash[inside], owner[inside]
    if not len(slash):
        return
    count = np.bincount(owner, minlength=len(start))
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    number = np.arange(len(slash)) - first[owner]
    state[count % 2 == 1] = CUT_TAG
    whole = (count[owner] % 2 == 0) & (number % 2 == 0)
    at = np.flatnonzero(whole)
    opened, closed, whose = slash[at], slash[at + 1] if len(at) else slash[at], owner[at]
    star = np.maximum(closed - 3, opened)
    given = np.where(text.raw[star] == STAR, text.hex_byte(star + 1), np.int16(-1))
    right = text.xor(opened + 1, np.maximum(star, opened + 1)) == given
    seconds = text.strings(opened + 1, star).str.extract(r"(?:^|,)c:([^,]*)")
    time_us = epochs(seconds)
    unreadable = seconds.is_not_null().to_numpy() & (time_us == NO_TIME)
    np.maximum.at(state, whose[~right], BAD_TAG_SUM)
    np.maximum.at(state, whose[right & unreadable], CUT_TAG)
    good = np.flatnonzero(right & (time_us != NO_TIME))[::-1]
    tag_us[whose[good]] = time_us[good]
    has = np.flatnonzero(count)
    leading = slash[first[has]]
    trailing = slash[first[has] + count[has] - 1] + 1
    ahead = leading > start[has]
    some = np.flatnonzero(ahead)
    if len(some):
        pieces = text.strings(start[has[some]], leading[some])
        ahead[some] = (pieces.str.strip_chars(_SEPARATORS) != "").to_numpy()
    stamp_from[has] = np.where(ahead, start[has], trailing)
    stamp_to[has] = np.where(ahead, leading, end[has])


def epochs(numbers: pl.Series) -> Ints:
    """UNIX times in us from numbers in s, ms or us as text; NO_TIME where it is no such number."""
    value = numbers.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy()
    out = np.full(len(value), NO_TIME, np.int64)
    with np.errstate(invalid="ignore"):
        known = (value >= EPOCH_FROM_S) & (value < EPOCH_BELOW)
        factor = np.where(value >= EPOCH_FROM_US, 1.0, np.where(value >= EPOCH_FROM_MS, 1e3, 1e6))
    out[known] = np.rint(value[known] * factor[known]).astype(np.int64)
    return out


def read_stamps(text: Text, start: Ints, end: Ints) -> tuple[Ints, Bytes]:
    """Time (us, or NO_TIME) and state of each piece that should be a stamp; blank pieces are FINE without time."""
    time_us, read = _canonical(text, start, end)
    state = np.full(len(start), FINE, np.uint8)
    rest = np.flatnonzero(~read & (end > start))
    if len(rest):
        time_us[rest], state[rest] = _any_stamp(text.strings(start[rest], end[rest]))
    return time_us, state


def _canonical(text: Text, start: Ints, end: Ints) -> tuple[Ints, Bools]:
    """The usual stamp, `YYYY-MM-DDTHH:MM:SS[.f][Z|+HH:MM]` and one separator, read by columns; which were read."""
    n, size = len(start), end - start
    time_us = np.full(n, NO_TIME, np.int64)
    if n == 0 or not bool((size >= 20).any()):
        return time_us, np.zeros(n, bool)
    every: NDArray[np.void] = np.ndarray(
        shape=(len(text.raw) - _CANONICAL_BYTES + 1,), dtype=f"V{_CANONICAL_BYTES}", buffer=text.raw, strides=(1,)
    )
    column = np.ascontiguousarray(every[start].view(np.uint8).reshape(n, _CANONICAL_BYTES).T)
    digit = column - np.uint8(ord("0"))
    ok = (size >= 20) & (size <= 40)
    for k in (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18):
        ok &= digit[k] <= 9
    for k, signs in ((4, "-"), (7, "-"), (10, "Tt "), (13, ":"), (16, ":")):
        ok &= np.isin(column[k], np.frombuffer(signs.encode(), np.uint8))
    pair = {k: digit[k].astype(np.int64) * 10 + digit[k + 1] for k in (0, 2, 5, 8, 11, 14, 17)}
    fraction_us, at = _fraction(column, digit)
    zone_min, at = _zone(column, digit, at)
    behind = column[np.minimum(at, _CANONICAL_BYTES - 1), np.arange(n)]
    ok &= (at == size - 1) & np.isin(behind, np.frombuffer(b" \t,;", np.uint8))
    days, possible = civil_days(pair[0] * 100 + pair[2], pair[5], pair[8])
    ok &= possible & clock_fits(pair[11], pair[14], pair[17])
    seconds = days * 86400 + pair[11] * 3600 + (pair[14] - zone_min) * 60 + pair[17]
    time_us[ok] = seconds[ok] * US + fraction_us[ok]
    return time_us, ok


def _fraction(column: Bytes, digit: Bytes) -> tuple[Ints, Ints]:
    """The fraction of a second from column 19 on, in us, and the column behind it."""
    going = (column[19] == ord(".")) & (digit[20] <= 9)
    at = np.full(column.shape[1], 19, np.int64) + going
    fraction_us = np.zeros(column.shape[1], np.int64)
    worth = US
    for k in range(20, 29):
        going = going & (digit[k] <= 9)
        if not going.any():
            break
        worth //= 10
        fraction_us += np.where(going, digit[k] * np.int64(worth), 0)
        at += going
    return fraction_us, at


def _zone(column: Bytes, digit: Bytes, at: Ints) -> tuple[Ints, Ints]:
    """The zone at each column in minutes east (0 where none is given), and the column behind it."""
    rows = np.arange(len(at))
    sign = column[at, rows]
    utc = (sign == ord("Z")) | (sign == ord("z"))
    offset = (sign == ord("+")) | (sign == ord("-"))
    if not offset.any():
        return np.zeros(len(at), np.int64), at + utc
    d = [digit[at + k, rows].astype(np.int64) for k in (1, 2, 4, 5)]
    offset &= (column[at + 3, rows] == ord(":")) & np.all([x <= 9 for x in d], axis=0)
    hours, rest = d[0] * 10 + d[1], d[2] * 10 + d[3]
    offset &= (hours < 24) & (rest < 60)
    minutes = hours * 60 + rest
    return np.where(offset, np.where(sign == ord("-"), -minutes, minutes), 0), at + utc + 6 * offset


def _any_stamp(pieces: pl.Series) -> tuple[Ints, Bytes]:
    """Any stamp, read with an expression: slower, for what is not written in the usual way."""
    bare = pieces.str.strip_chars(_SEPARATORS)
    time_us = epochs(bare)
    parts = bare.str.extract_groups(_STAMP).struct.unnest()
    number = {k: parts[k].cast(pl.Int64, strict=False).fill_null(-1).to_numpy() for k in parts.columns[:6]}
    y, mo, d, h, mi, s = number.values()
    zone_h = parts["9"].cast(pl.Int64, strict=False).fill_null(0).to_numpy()
    zone_min = parts["10"].cast(pl.Int64, strict=False).fill_null(0).to_numpy()
    west = parts["9"].str.starts_with("-").fill_null(False).to_numpy()
    zone = zone_h * 60 + np.where(west, -zone_min, zone_min)
    fraction = ("0." + parts["7"].fill_null("0")).cast(pl.Float64).to_numpy()
    days, possible = civil_days(np.maximum(y, 1), mo, d)
    good = (y >= 1) & possible & clock_fits(h, mi, s) & (zone_min < 60) & (np.abs(zone_h) < 24)
    seconds = days * 86400 + h * 3600 + (mi - zone) * 60 + s
    time_us = np.where(good, seconds * US + np.rint(fraction * US).astype(np.int64), time_us)
    known = (time_us != NO_TIME) | (bare == "").to_numpy()
    dated = bare.str.contains(_LOOKS_LIKE_DATE).to_numpy()
    return time_us, np.where(known, FINE, np.where(dated, BAD_STAMP, FOREIGN)).astype(np.uint8)

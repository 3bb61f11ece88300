"""Decimal numbers read straight from the bytes of a log, many at once, eight digits to a machine word.

Up to sixteen signs (digits, at most one point, a minus in front) are read here: the digits make a whole number below
2**53 and the point a power of ten below 10**22, both exact, so that their quotient is the number nearest to what is
written (Clinger, How to read floating point numbers accurately, 1990, section 5), the same that Polars reads. What is
written otherwise (an exponent, blanks, a plus) is left to Polars, field by field.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ingest.scan import Bools, Bytes, Ints, Text, Words

READ, BLANK, UNREADABLE = range(3)
# Work is done on so many numbers at a time, which fit the processor's cache.
AT_ONCE = 8192
_MINUS, _DOT = ord("-"), ord(".")
_ZEROS = np.uint64(0x3030303030303030)
_DOTS = np.uint64(0x1E1E1E1E1E1E1E1E)  # a point, taken against the digit 0
_SEVEN = np.uint64(0x7F7F7F7F7F7F7F7F)
_HIGH = np.uint64(0x8080808080808080)
_OVER_NINE = np.uint64(0x7676767676767676)
_PAIRS = np.uint64(0x000000FF000000FF)
_EVEN, _ODD = np.uint64(0x000F424000000064), np.uint64(0x0000271000000001)
_U1, _U7, _U8, _U10, _U16, _U32, _U56 = (np.uint64(n) for n in (1, 7, 8, 10, 16, 32, 56))
_NO_POINT = -1
# By digits behind the point, _NO_POINT counting as none.
_POWERS = np.array([1.0] + [10.0**n for n in range(16)])
_MOST_WHOLE = np.uint64(2**53)


def read_numbers(text: Text, start: Ints, end: Ints) -> tuple[NDArray[np.float64], Bytes]:
    """The numbers that stand in [start, end) (NaN where there is none), and READ, BLANK or UNREADABLE for each.

    Blanks around a number are no damage; a missing field (end before start) is BLANK.
    """
    value = np.full(len(start), np.nan)
    state = np.full(len(start), BLANK, np.uint8)
    for at in range(0, len(start), AT_ONCE):
        part = slice(at, at + AT_ONCE)
        _read(text, start[part], end[part], value[part], state[part])
    return value, state


def _read(text: Text, start: Ints, end: Ints, value: NDArray[np.float64], state: Bytes) -> None:
    size = end - start
    given = size > 0
    if not given.all():
        rows = np.flatnonzero(given)
        if len(rows):
            part, read = np.full(len(rows), np.nan), np.full(len(rows), BLANK, np.uint8)
            _read_given(text, start[rows], size[rows], part, read)
            value[rows], state[rows] = part, read
    elif len(start):
        _read_given(text, start, size, value, state)


def _read_given(text: Text, start: Ints, size: Ints, value: NDArray[np.float64], state: Bytes) -> None:
    minus = text.raw[start] == _MINUS
    signed = bool(minus.any())
    first, length = (start + minus, size - minus) if signed else (start, size)
    long = np.flatnonzero(length > 8)
    short = np.minimum(length, 8)
    digits = (text.eight_bytes(first) ^ _ZEROS) << (np.uint64(64) - (short << 3).astype(np.uint64))
    if bool((length < 1).any()):
        digits[length < 1] = _DOTS
    whole, places, fine = _eight(digits)
    value[:] = whole / _POWERS.take(places + 1)
    fine &= length > (places >= 0)
    if len(long):
        value[long], fine[long] = _sixteen(text, first[long], length[long])
    if signed:
        np.negative(value, out=value, where=minus)
    state[:] = READ
    rest = np.flatnonzero(~fine)
    if len(rest):
        value[rest], state[rest] = _otherwise(text, start[rest], start[rest] + size[rest])


def _point(digits: Words) -> Words:
    """The high bit of each byte that holds a point."""
    x = digits ^ _DOTS
    return ~(((x & _SEVEN) + _SEVEN) | x | _SEVEN)


def _without_point(digits: Words, point: Words) -> tuple[Words, NDArray[np.int8]]:
    """The digits closed up over the one point, and how many stand behind it (_NO_POINT where there is none)."""
    one = point >> _U7
    below = one - _U1
    # without a point everything is below it, and nothing is moved
    moved = (digits & below) << (_U8 * (one != 0))
    closed = (digits & ~(below | (one << _U8) - one)) | moved
    return closed, 7 - (np.bitwise_count(below) >> 3).astype(np.int8)


def _all_digits(digits: Words) -> Bools:
    return ((digits | (digits + _OVER_NINE)) & _HIGH) == 0


def _whole(digits: Words) -> Words:
    """Eight digits, the first in the lowest byte, as a number (Lemire, fast_float, parse_eight_digits_unrolled)."""
    pairs = digits * _U10 + (digits >> _U8)
    return ((pairs & _PAIRS) * _EVEN + ((pairs >> _U16) & _PAIRS) * _ODD) >> _U32


def _eight(digits: Words) -> tuple[Words, NDArray[np.int8], Bools]:
    point = _point(digits)
    closed, places = _without_point(digits, point)
    return _whole(closed), places, _all_digits(closed) & ((point & (point - _U1)) == 0)


def _sixteen(text: Text, start: Ints, length: Ints) -> tuple[NDArray[np.float64], Bools]:
    """Numbers of nine to sixteen signs."""
    held = np.minimum(length, 16)
    low = text.eight_bytes(start + held - 8) ^ _ZEROS
    high = (text.eight_bytes(start) ^ _ZEROS) << (np.uint64(128) - (held << 3).astype(np.uint64))
    point_low, point_high = _point(low), _point(high)
    closed_low, places_low = _without_point(low, point_low)
    closed_high, places_high = _without_point(high, point_high)
    # a point among the last eight: one digit of the first eight moves over
    crossing = point_low != 0
    closed_low |= np.where(crossing, high >> _U56, np.uint64(0))
    closed_high = np.where(crossing, high << _U8, closed_high)
    places = np.where(crossing, places_low, np.where(point_high != 0, places_high + 8, _NO_POINT))
    number = _whole(closed_high) * np.uint64(100_000_000) + _whole(closed_low)
    point = point_low | (point_high >> _U1)
    fine = (length <= 16) & _all_digits(closed_low) & _all_digits(closed_high) & (number < _MOST_WHOLE)
    fine &= (point & (point - _U1)) == 0
    return number / _POWERS.take(np.minimum(places, 15) + 1), fine


def _otherwise(text: Text, start: Ints, end: Ints) -> tuple[NDArray[np.float64], Bytes]:
    """Anything that is not written plainly."""
    bare = text.strings(start, end).str.strip_chars(" ")
    value = bare.cast(pl.Float64, strict=False)
    fine = value.is_finite().fill_null(False).to_numpy()
    blank = (bare == "").to_numpy()
    number = np.where(fine, value.fill_null(0.0).to_numpy(), np.nan)
    return number, np.where(fine, READ, np.where(blank, BLANK, UNREADABLE)).astype(np.uint8)


def read_digits(text: Text, start: Ints, size: Ints) -> tuple[Ints, Bools]:
    """The number that `size` (1 to 8) digits make, and whether there are only digits."""
    digits = (text.eight_bytes(start) ^ _ZEROS) << (np.uint64(64) - (size << 3).astype(np.uint64))
    return _whole(digits).astype(np.int64), _all_digits(digits)

"""Borders and shifts in words, as sailors say them."""

from __future__ import annotations

from pipeline.reporting.numbers import MISSING, Numbers
from pipeline.reporting.records.changes import Change
from pipeline.reporting.records.ledger import LedgerRow, Part, PointState

# First-strong isolation, so that right-to-left names do not reorder what stands beside them (Unicode UAX #9).
_ISOLATE, _POP = "\u2068", "\u2069"
_FIRST_RIGHT_TO_LEFT = 0x590


def named(name: str) -> str:
    """A sail set's name as it stands in a sentence."""
    return f"{_ISOLATE}{name}{_POP}" if any(ord(c) >= _FIRST_RIGHT_TO_LEFT for c in name) else name


def measure(value: float | None, unit: str, numbers: Numbers, decimals: int = 1) -> str:
    """A value with its unit, "2.6 kn" or "26.8°"."""
    if value is None:
        return MISSING
    return numbers.plain(value, decimals) + (" kn" if unit == "kn" else "°")


def rounded(value: float | None, unit: str, numbers: Numbers) -> str:
    """A rounded value as a crew reads it: whole, or with its half knot."""
    return measure(value, unit, numbers, 1 if value is not None and value % 1 else 0)


def advice(change: Change, numbers: Numbers) -> str:
    """One change in words: up to where the first set is right, from where the second, and the best guess between."""
    a, b, unit = named(change.set_a), named(change.set_b), change.unit
    first, second, guess = (rounded(v, unit, numbers) for v in (change.from_, change.until, change.rounded))
    if change.crossing is None:
        span = numbers.span(change.from_, change.until, 0)
        return f"{a} gives way to {b} somewhere: {span}{' kn' if unit == 'kn' else '°'}."
    if change.low is not None and change.high is not None:
        if change.from_ == change.until:
            return f"{a} to {b} at {guess}."
        return f"{a} up to {first}, {b} from {second}; between them either is right."
    if change.low is not None:
        return (
            f"{a} up to {first}; then perhaps {b}, best guess from {guess}: the data do not show where {b} is surely "
            "faster."
        )
    if change.high is not None:
        return (
            f"{b} from {second}; below that perhaps {a}, best guess up to {guess}: the data do not show where {a} is "
            "surely faster."
        )
    return f"{a} to {b}, best guess {guess}: the data show neither surely faster on its side."


def direction(shift: float, unit: str) -> str:
    """Which way a border moved: more or less wind, closer to the wind or further off it."""
    if unit == "kn":
        return "more wind" if shift > 0 else "less wind"
    return "further off the wind" if shift > 0 else "closer to the wind"


def shift_words(row: LedgerRow, numbers: Numbers) -> str:
    """ "S2+ST takes over in 2.6 kn more wind than designed (90 %: at least 1.2)", of the points that moved."""
    found = row.where_moved
    shift = found.shift if found.shift is not None else found.at_least
    if shift is None:
        return f"{named(row.set_b)} takes over elsewhere than designed"
    least = "at least " if found.shift is None else ""
    size = least + measure(abs(shift), row.unit, numbers)
    link = "in " if row.unit == "kn" else ""
    doubt = "" if found.shift is None else _interval(found.shift_low, found.shift_high, shift, numbers)
    return f"{named(row.set_b)} takes over {link}{size} {direction(shift, row.unit)} than designed{doubt}"


def _interval(low: float | None, high: float | None, shift: float, numbers: Numbers) -> str:
    """The interval counted in the direction of the shift."""
    near, far = (low, high) if shift > 0 else (_turned(high), _turned(low))
    if near is None and far is None:
        return ""
    if far is None:
        return f" (90 %: at least {numbers.plain(near, 1)})"
    if near is None:
        return f" (90 %: at most {numbers.plain(far, 1)})"
    return f" (90 %: {numbers.plain(near, 1)} to {numbers.plain(far, 1)})"


def _turned(value: float | None) -> float | None:
    return None if value is None else -value


def places(parts: tuple[Part, ...], state: PointState, unit: str, numbers: Numbers) -> str:
    """Where a border is in one state, "125 to 145°, 165°"; `unit` is that of the shift, the places have the other."""
    found = []
    for part in parts:
        if part.state == state:
            low, high = numbers.plain(part.low, 0), numbers.plain(part.high, 0)
            found.append(low if low == high else f"{low} to {high}")
    return ", ".join(found) + ("°" if unit == "kn" else " kn") if found else ""

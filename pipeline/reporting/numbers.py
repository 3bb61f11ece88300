"""How numbers, spans and times are written in a report. Missing is always shown as an em dash."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

MISSING = "—"
MINUS = "−"
THIN_SPACE = "\u202f"


def is_missing(value: float | None) -> bool:
    """True for None, NaN and the infinities: what cannot be printed as a number."""
    return value is None or not math.isfinite(value)


@dataclass(frozen=True, slots=True)
class Numbers:
    """A reader's way of writing numbers: the decimal mark and what parts thousands."""

    decimal_mark: str = "."
    thousands_mark: str = THIN_SPACE

    def plain(self, value: float | None, decimals: int = 1) -> str:
        """`value` with so many decimals; never "-0.0"."""
        if value is None or is_missing(value):
            return MISSING
        rounded = round(value, decimals) + 0.0
        whole, _, part = f"{abs(rounded):,.{decimals}f}".partition(".")
        text = whole.replace(",", self.thousands_mark) + (self.decimal_mark + part if part else "")
        return (MINUS if rounded < 0 else "") + text

    def signed(self, value: float | None, decimals: int = 1) -> str:
        """`value` with its sign always written, except for zero."""
        text = self.plain(value, decimals)
        return f"+{text}" if not is_missing(value) and round(value or 0.0, decimals) > 0 else text

    def span(self, low: float | None, high: float | None, decimals: int = 1, *, sign: bool = False) -> str:
        """An interval in words; a side that the data do not close is named open."""
        write = self.signed if sign else self.plain
        if is_missing(low) and is_missing(high):
            return MISSING
        if is_missing(low):
            return f"open to {write(high, decimals)}"
        if is_missing(high):
            return f"{write(low, decimals)} to open"
        return f"{write(low, decimals)} to {write(high, decimals)}"

    def percent(self, share: float | None, decimals: int = 0) -> str:
        """A share of 0..1 as per cent."""
        return MISSING if share is None or is_missing(share) else f"{self.plain(100.0 * share, decimals)} %"

    def count(self, value: float | None) -> str:
        """A whole number."""
        return self.plain(value, 0)

    def duration(self, minutes: float | None) -> str:
        """Minutes as "3 h 05 min", or "12 min" under an hour, "0.4 min" under one minute."""
        if minutes is None or is_missing(minutes):
            return MISSING
        if 0 < minutes < 0.95:
            return f"{self.plain(minutes, 1)} min"
        total = round(minutes)
        hours, rest = divmod(total, 60)
        return f"{self.count(hours)} h {rest:02d} min" if hours else f"{rest} min"


# Decimal and thousands marks by language (Unicode CLDR 45; a narrow space for the wide one).
LANGUAGES: Mapping[str, Numbers] = {
    "en": Numbers(".", THIN_SPACE),
    "de": Numbers(",", "."),
    "de-CH": Numbers(".", "’"),
    "es": Numbers(",", "."),
    "fr": Numbers(",", THIN_SPACE),
    "it": Numbers(",", "."),
    "nl": Numbers(",", "."),
    "pt": Numbers(",", "."),
    "da": Numbers(",", "."),
    "sv": Numbers(",", THIN_SPACE),
    "nb": Numbers(",", THIN_SPACE),
    "fi": Numbers(",", THIN_SPACE),
    "pl": Numbers(",", THIN_SPACE),
}


def numbers_for(language: object) -> Numbers | None:
    """The way of writing numbers in a language ("de", "de-CH"; regions that are not listed go by their language); None
    where it is not known.
    """
    tag = str(language).strip().replace("_", "-")
    known = {name.lower(): numbers for name, numbers in LANGUAGES.items()}
    return known.get(tag.lower(), known.get(tag.lower().partition("-")[0]))


# How the reader of the pages being written writes numbers: figures ask here, for their words pass through many hands.
_READER: ContextVar[Numbers | None] = ContextVar("reader", default=None)


@contextmanager
def written_for(numbers: Numbers) -> Iterator[None]:
    """Figures drawn inside write numbers so."""
    before = _READER.set(numbers)
    try:
        yield
    finally:
        _READER.reset(before)


def reader() -> Numbers:
    """The way of writing numbers in force."""
    return _READER.get() or Numbers()


def brief(value: float) -> str:
    """A number of a scale with no more decimals than it has."""
    return f"{value:.6g}".replace("-", MINUS).replace(".", reader().decimal_mark)


def moment(time: datetime | None) -> str:
    """A time to the minute, UTC."""
    return MISSING if time is None else time.strftime("%Y-%m-%d %H:%M")


def clock(time: datetime | None) -> str:
    """A time of day to the second, UTC."""
    return MISSING if time is None else time.strftime("%H:%M:%S")


def plural(count: int, one: str, many: str | None = None) -> str:
    """`1 window`, `2 windows`."""
    number = reader().count(count)
    return f"{number} {one}" if count == 1 else f"{number} {many or one + 's'}"

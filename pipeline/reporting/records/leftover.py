"""What the fit leaves over, as the analyst reads it: by day and mode, tack, sail set and wind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.wording import named
from pipeline.surfaces.coordinates import MODES


@dataclass(frozen=True, slots=True)
class Residual:
    """One group: measured over expected speed in per cent, median with its 90 % interval; `odd` is None untested."""

    label: str
    median_pct: float
    low_pct: float | None
    high_pct: float | None
    windows: int
    effective_n: float | None
    odd: bool | None


@dataclass(frozen=True, slots=True)
class DayLine:
    """One day: a residual for each of `MODES`, None where it was not sailed."""

    day: date
    modes: tuple[Residual | None, ...]


@dataclass(frozen=True, slots=True)
class Leftover:
    """All groups. `half_pct` is the half width of the scale that the drawings share."""

    days: tuple[DayLine, ...]
    tacks: tuple[Residual, ...]
    sets: tuple[Residual, ...]
    winds: tuple[Residual, ...]
    half_pct: float

    @property
    def groups(self) -> tuple[tuple[str, tuple[Residual, ...]], ...]:
        """The kinds that have one line a group, with their headings; those without lines left out."""
        kinds = (("Tack", self.tacks), ("Sail set", self.sets), ("True wind speed", self.winds))
        return tuple((name, lines) for name, lines in kinds if lines)

    @property
    def odd(self) -> tuple[Residual, ...]:
        """Groups that stand out, largest first."""
        of_days = [r for d in self.days for r in d.modes if r is not None]
        found = [r for r in (*of_days, *self.tacks, *self.sets, *self.winds) if r.odd]
        return tuple(sorted(found, key=lambda r: (-abs(r.median_pct), r.label)))


# Longer bars are cut at the frame of their drawing, which holds all but the extremes.
FRAME_SHARE = 0.95


def leftover(tables: Mapping[str, pl.DataFrame]) -> Leftover:
    """From the table `residuals`."""
    rows = list(tables["residuals"].iter_rows(named=True))
    days: dict[date, dict[str, Residual]] = {}
    for r in rows:
        if r["by"] == "day":
            days.setdefault(r["day"], {})[r["mode"]] = _residual(r, f"{r['day']:%-d %b} {r['mode']}")
    ends = sorted(abs(x) for r in rows for x in (r["median_pct"], r["low_pct"], r["high_pct"]) if x is not None)
    return Leftover(
        days=tuple(DayLine(d, tuple(modes.get(m) for m in MODES)) for d, modes in sorted(days.items())),
        tacks=tuple(_residual(r, f"{r['mode']}, {r['tack']}") for r in rows if r["by"] == "tack"),
        sets=tuple(_residual(r, r["sail_set"]) for r in rows if r["by"] == "sail set"),
        winds=tuple(_residual(r, f"{r['tws_from_kn']:g} to {r['tws_to_kn']:g} kn") for r in rows if r["by"] == "wind"),
        half_pct=ends[int(FRAME_SHARE * (len(ends) - 1))] if ends else 1.0,
    )


def _residual(row: Mapping[str, object], label: str) -> Residual:
    return Residual(label, **{k: row[k] for k in Residual.__dataclass_fields__ if k != "label"})  # type: ignore[arg-type]


MOST_NAMED = 4


def odd_words(found: Leftover, numbers: Numbers) -> str:
    """Which groups stand out, in one sentence."""
    if not found.days:
        return "Nothing was fitted, so nothing is left over."
    odd = found.odd
    if not odd:
        return "No day, tack, sail set or wind band stands out from what days and chance explain."
    said = "; ".join(f"{named(r.label)} {numbers.signed(r.median_pct, 1)} %" for r in odd[:MOST_NAMED])
    more = len(odd) - MOST_NAMED
    rest = f"; and {more} more" if more > 0 else ""
    return f"Standing out: {said}{rest}. Look there first for a fault in log or sensor."

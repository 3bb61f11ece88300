"""Colours, dashes and marks of the sail sets: the same for one set on every page, told apart without colour too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.campaign.settings import BARE, MAIN_ALONE, UNKNOWN, UNLOGGED, Boat

# Chosen for this report: hues far apart for the common kinds of colour blindness, neighbours in the list unlike in
# lightness so that they part in grey as well, each at 3 to 1 or more on the paper (WCAG 2.1, 1.4.11).
# `tests/reporting/test_palette.py` measures all three.
INKS: tuple[str, ...] = (
    "#1c31d8",  # blue
    "#c6800f",  # amber
    "#0b8453",  # green
    "#d16f9e",  # pink
    "#79003e",  # wine
    "#1b72e6",  # bright blue
    "#690a91",  # purple
    "#a44200",  # rust
    "#422f04",  # umber
    "#877fcf",  # lavender
)
# Ink in the fill of an area, and of an area in doubt: names in dark ink stay legible on both.
FILL_SHARE, PALE_SHARE = 0.52, 0.28
# Ink in the colour of small letters, the rest is the dark of the text.
TEXT_SHARE = 0.6
DASHES: tuple[str, ...] = ("", "7 3", "2 3", "9 3 2 3", "5 2 1 2 1 2", "12 4")
QUIET_INKS: Mapping[str, str] = {UNLOGGED: "#6f7f8a", UNKNOWN: "#8a8a86", BARE: "#a9a49a", MAIN_ALONE: "#6b6459"}

# Columns of tables that hold the name of one set.
SET_COLUMNS = (
    *("sail_set", "best_set", "set_a", "set_b", "runner_up", "flown", "fastest_measured", "fastest_designed"),
    *("from_set", "to_set", "logged", "likelier", "neighbour", "against"),
)


@dataclass(frozen=True, slots=True)
class SetStyle:
    """How one sail set is drawn. `ink` for lines and marks, `fill` for areas, `pale` for areas in doubt."""

    name: str
    number: int
    ink: str
    fill: str
    pale: str
    dash: str

    @property
    def text(self) -> str:
        """The ink darkened so that small letters can be read on paper (WCAG 2.1, 1.4.3)."""
        return mixed(self.ink, TEXT_SHARE, "#1c2328")


@dataclass(frozen=True, slots=True)
class Palette:
    """The styles of all sets of a campaign, in the order of `boat.toml`."""

    styles: tuple[SetStyle, ...]

    def of(self, sail_set: str) -> SetStyle:
        """The style of a set; a set that no table names gets a quiet grey."""
        return next((s for s in self.styles if s.name == sail_set), _style(sail_set, 0, "#77736a", ""))


def mixed(colour: str, share: float, ground: str = "#ffffff") -> str:
    """`colour` laid over `ground` with that share of it, both "#rrggbb"."""
    parts = [round(int(colour[i : i + 2], 16) * share + int(ground[i : i + 2], 16) * (1.0 - share)) for i in (1, 3, 5)]
    return "#" + "".join(f"{p:02x}" for p in parts)


def names_of_sets(boat: Boat, tables: Mapping[str, pl.DataFrame], designed: pl.DataFrame | None) -> tuple[str, ...]:
    """Every set that any table names: those of `boat.toml` first in its order, then the others by name."""
    found: set[str] = set()
    for frame in (*tables.values(), *(() if designed is None else (designed,))):
        for column in SET_COLUMNS:
            if column in frame.columns and frame.schema[column] == pl.String:
                found.update(n for n in frame.get_column(column).unique().to_list() if n)
    declared = [s.name for s in boat.sail_sets]
    return (*(n for n in declared if n in found), *sorted(found - set(declared)))


def palette_for(names: Iterable[str]) -> Palette:
    """Styles for the names in their order; the states of the time line that are no sets get quiet inks."""
    styles = []
    number = 0
    for name in names:
        if name in QUIET_INKS:
            styles.append(_style(name, number, QUIET_INKS[name], "1 2"))
            continue
        styles.append(_style(name, number, INKS[number % len(INKS)], DASHES[number % len(DASHES)]))
        number += 1
    return Palette(tuple(styles))


def _style(name: str, number: int, ink: str, dash: str) -> SetStyle:
    return SetStyle(name, number, ink, mixed(ink, FILL_SHARE), mixed(ink, PALE_SHARE), dash)

"""The crew's card: each border as the displays show it, pair by pair, no more lines than one sheet holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import polars as pl

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.reporting.numbers import MISSING, Numbers, plural
from pipeline.reporting.records.limits import SetLimit, limits_of_sets
from pipeline.reporting.records.wording import named

# What one sheet holds in letters that are read at arm's length; heads of pairs count as lines.
MOST_LINES = 26
MODES = ("close-hauled", "fixed-angle", "running")
VERDICTS = ("clear", "close", "one-sided")


@dataclass(frozen=True, slots=True)
class CardLine:
    """One place of a border. Marks and intervals are in the units of what is read: knots of AWS or degrees of AWA.

    `over_a`, `over_b`: at its mark the apparent wind is beyond a maker's limit of that set.
    """

    aws_kn: float | None
    awa_deg: float | None
    tws_kn: float | None
    twa_deg: float | None
    back_at: float | None
    change_at: float | None
    either_from: float | None
    either_to: float | None
    low: float | None
    high: float | None
    verdict: str
    over_a: bool
    over_b: bool


@dataclass(frozen=True, slots=True)
class CardPair:
    """The lines of one border; `read` is AWS or AWA."""

    set_a: str
    set_b: str
    mode: str
    read: str
    lines: tuple[CardLine, ...]

    @property
    def unit(self) -> str:
        """Sign behind a mark."""
        return " kn" if self.read == "AWS" else "°"

    @property
    def decimals(self) -> int:
        """Decimals of a mark."""
        return 1 if self.read == "AWS" else 0


@dataclass(frozen=True, slots=True)
class SailLimit:
    """A maker's limit of a sail in the sets of the card."""

    sail: str
    max_aws_kn: float


@dataclass(frozen=True, slots=True)
class Card:
    """`pairs` fit on one sheet; `left_out` lines do not, the less sure ones. `rows`: lines and heads on the sheet."""

    pairs: tuple[CardPair, ...]
    left_out: int
    limits: tuple[SailLimit, ...]

    @property
    def rows(self) -> int:
        """Rows of the printed table."""
        return sum(len(p.lines) + 1 for p in self.pairs)

    @property
    def lines(self) -> int:
        """Lines shown."""
        return sum(len(p.lines) for p in self.pairs)


def card(tables: Mapping[str, pl.DataFrame], boat: Boat) -> Card:
    """From the side table `card`."""
    frame = tables["card"]
    names = sorted({*frame["set_a"].drop_nulls(), *frame["set_b"].drop_nulls()})
    limit_of = {x.sail_set: x for x in limits_of_sets(boat, names)}
    rows = frame.sort("mode", "set_a", "set_b", "read", "tws_kn", "twa_deg").to_dicts()
    kept = _kept(rows)
    pairs = [
        CardPair(*key, tuple(_line(r, limit_of) for r in group))  # type: ignore[arg-type]
        for key, group in groupby(kept, key=_pair)
    ]
    return Card(tuple(sorted(pairs, key=_order)), len(rows) - len(kept), _limits(boat, pairs))


def _pair(row: Mapping[str, Any]) -> tuple[str, str, str, str]:
    return row["set_a"], row["set_b"], row["mode"], "AWS" if row["read"] == "aws" else "AWA"


def _kept(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows that the sheet has room for: the surest of each pair first, then their second, and so on."""

    def sureness(k: int) -> tuple[int, float, int]:
        row = rows[k]
        width = row["high"] - row["low"] if row["low"] is not None and row["high"] is not None else float("inf")
        return VERDICTS.index(row["verdict"]) if row["verdict"] in VERDICTS else len(VERDICTS), width, k

    place: dict[int, int] = {}
    taken: dict[tuple[str, str, str, str], int] = {}
    for k in sorted(range(len(rows)), key=sureness):
        place[k] = taken.get(_pair(rows[k]), 0)
        taken[_pair(rows[k])] = place[k] + 1
    chosen: set[int] = set()
    used = 0
    for k in sorted(place, key=lambda k: (place[k], MODES.index(rows[k]["mode"]) == 1, *sureness(k))):
        used += 2 if place[k] == 0 else 1
        if used > MOST_LINES:
            break
        chosen.add(k)
    return [row for k, row in enumerate(rows) if k in chosen]


def _line(row: Mapping[str, Any], limit_of: Mapping[str, SetLimit]) -> CardLine:
    by_speed = row["read"] == "aws"

    def over(sail_set: str, mark: float | None) -> bool:
        wind = mark if by_speed and mark is not None else row["aws_kn"]
        limit = limit_of.get(sail_set)
        return limit is not None and wind is not None and wind > limit.max_aws_kn

    return CardLine(
        aws_kn=row["aws_kn"],
        awa_deg=row["awa_deg"],
        tws_kn=row["tws_kn"],
        twa_deg=row["twa_deg"],
        back_at=row["change_down_at"],
        change_at=row["change_up_at"],
        either_from=row["either_from"],
        either_to=row["either_to"],
        low=row["low"],
        high=row["high"],
        verdict=row["verdict"],
        over_a=over(row["set_a"], row["change_down_at"]),
        over_b=over(row["set_b"], row["change_up_at"]),
    )


def _order(pair: CardPair) -> tuple[int, float, str, str]:
    """On the wind first, then from close reaching to broad, running last."""
    angles = [x.twa_deg for x in pair.lines if x.twa_deg is not None]
    return MODES.index(pair.mode), sum(angles) / len(angles) if angles else 0.0, pair.set_a, pair.set_b


def _limits(boat: Boat, pairs: list[CardPair]) -> tuple[SailLimit, ...]:
    codes = {c for p in pairs for s in (p.set_a, p.set_b) for c in sails_of(s, boat) or ()}
    return tuple(SailLimit(c, s.max_aws_kn) for c, s in boat.sails.items() if c in codes and s.max_aws_kn is not None)


def mark(value: float | None, pair: CardPair, numbers: Numbers) -> str:
    """A reading with its unit, "46°" or "12.5 kn"; whole knots without their zero."""
    if value is None:
        return MISSING
    return numbers.plain(value, pair.decimals if value % 1 else 0) + pair.unit


def either(line: CardLine, pair: CardPair, numbers: Numbers) -> str:
    """The band in which either set will do; one that leaves the measured range is open on that side."""
    return _band(line.either_from, line.either_to, pair, numbers)


def interval(line: CardLine, pair: CardPair, numbers: Numbers) -> str:
    """The border's 90 % interval as read."""
    return _band(line.low, line.high, pair, numbers)


def _band(low: float | None, high: float | None, pair: CardPair, numbers: Numbers) -> str:
    if low is None and high is None:
        return MISSING
    if low is None:
        return f"to {mark(high, pair, numbers)}"
    if high is None:
        return f"from {mark(low, pair, numbers)}"
    if low == high:
        return mark(low, pair, numbers)
    return f"{mark(low, pair, numbers).removesuffix(pair.unit)} to {mark(high, pair, numbers)}"


def where(line: CardLine, pair: CardPair, numbers: Numbers) -> tuple[str, str]:
    """Where the line holds: by the display, and in the true wind."""
    if pair.mode != "fixed-angle":
        angle = "" if line.twa_deg is None else f"{numbers.plain(line.twa_deg, 0)}° true"
        return pair.mode, angle
    if pair.read == "AWS":
        shown, true = _with(line.awa_deg, 0, "°", numbers), _with(line.twa_deg, 0, "°", numbers)
        return f"AWA {shown}", f"TWA {true}"
    shown, true = _with(line.aws_kn, 1, " kn", numbers), _with(line.tws_kn, 1, " kn", numbers)
    return f"AWS {shown}", f"TWS {true}"


def _with(value: float | None, decimals: int, unit: str, numbers: Numbers) -> str:
    return MISSING if value is None else numbers.plain(value, decimals if value % 1 else 0) + unit


def shown_words(boat: Boat, numbers: Numbers) -> str:
    """What the readings of the card are: the crew's displays as `[displays]` describes them."""
    displays = boat.displays
    height = displays.wind_height_m if displays.wind_height_m is not None else boat.instruments.wind_sensor_height_m
    corrected = "with the calibration applied" if displays.corrected else "without the calibration of boat.toml"
    return f"Apparent wind as the crew's displays show it, at {numbers.plain(height, 1)} m and {corrected}"


def card_words(found: Card) -> str:
    """What the card holds, in a sentence."""
    if not found.pairs:
        return "No border is known well enough for a card."
    pairs = ", ".join(f"{named(p.set_a)} to {named(p.set_b)}" for p in found.pairs[:3])
    more = len(found.pairs) - 3
    rest = f" and {plural(more, 'pair')} more" if more > 0 else ""
    return f"{plural(found.lines, 'line')} for the bulkhead, by the displays: {pairs}{rest}."

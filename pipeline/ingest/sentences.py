"""The field layouts of the sentences that are read, and what each of their fields gives.

Sources: gpsd notes (ntpsec/gpsd `www/NMEA.adoc`) and the field lists of pynmea2 and pynmeagps; VWT from pynmea2 and a
marine radar's operator manual. Signs and references: MWV with T is relative to the bow like R; L is to port; E and N
are positive; magnetic heading = sensor + deviation.

Validity. A status letter V means that nothing is taken. Where a mode letter stands it rules over the status: A and D
are valid whatever the status says, E, M, N and S are not; R, F and P (satellite fixes, newer than that rule) are valid
unless the status is V. An empty or absent mode leaves it to the status, an empty or absent status says nothing. GGA:
quality 0 and the estimated, manual and simulated ones (6, 7, 8) give no position; an empty quality says nothing. GNS
is valid when any of its systems is. An empty field is never 0; a value whose side or hemisphere is empty has no sign
and is not taken.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.angles import wrap_180_expr, wrap_360_expr
from pipeline.units import (
    HPA_PER_BAR,
    HPA_PER_INHG,
    KN_PER_KMH,
    KN_PER_MPH,
    KN_PER_MS,
    METRES_PER_FATHOM,
    METRES_PER_FOOT,
)

Values = Mapping[str, pl.Expr]


def text(i: int) -> pl.Expr:
    """Field i (from 0, behind the address) as it is written; null where the sentence is shorter."""
    return pl.col(f"field_{i}")


def number(i: int) -> pl.Expr:
    """Field i as a number; null where it is empty."""
    return pl.col(f"number_{i}")


def is_letter(i: int, letters: str) -> pl.Expr:
    """Whether field i is one of the letters; an empty or absent field is none."""
    out = pl.lit(False)
    for letter in letters:
        out = out | (text(i) == letter)
    return out.fill_null(False)


def _first(*values: pl.Expr) -> pl.Expr:
    return pl.coalesce(*values)


def _signed(i: int, positive: str, negative: str, value: pl.Expr | None = None) -> pl.Expr:
    """Number i with the sign of the letter behind it; null without a letter, but 0 needs none."""
    v = number(i) if value is None else value
    side = text(i + 1)
    return pl.when(side == positive).then(v).when(side == negative).then(-v).when(v == 0).then(v)


def _degrees(i: int, positive: str, negative: str) -> pl.Expr:
    """Latitude or longitude of the form dddmm.mmm in fields i and i + 1."""
    whole = (number(i) / 100.0).floor()
    return _signed(i, positive, negative, whole + (number(i) - whole * 100.0) / 60.0)


def _off_globe(i: int, limit: int) -> pl.Expr:
    whole = (number(i) / 100.0).floor()
    minutes = number(i) - whole * 100.0
    return (number(i) < 0) | (minutes >= 60.0) | (whole + minutes / 60.0 > limit)


def _speed(kn: int, ms: int, kmh: int | None = None) -> pl.Expr:
    """A speed that is given in several units: knots where given, else m/s, else km/h."""
    values = [number(kn), number(ms) * KN_PER_MS]
    return _first(*values, number(kmh) * KN_PER_KMH) if kmh is not None else _first(*values)


def _wind_speed(value: int, unit: int) -> pl.Expr:
    out = pl.when(text(unit) == "N").then(number(value))
    for letter, factor in (("M", KN_PER_MS), ("K", KN_PER_KMH), ("S", KN_PER_MPH)):
        out = out.when(text(unit) == letter).then(number(value) * factor)
    return out


def _bow_angle(i: int) -> pl.Expr:
    """A bow angle with L or R behind it, signed, starboard positive, folded to [-180, 180)."""
    v = number(i)
    side = pl.when(text(i + 1) == "R").then(v).when(text(i + 1) == "L").then(-v).when(v % 180.0 == 0).then(v)
    return _fold(side)


def _fold(angle: pl.Expr) -> pl.Expr:
    """Bow angles of at most a full turn folded to [-180, 180); beyond that they are no angle and stay as they are."""
    return pl.when(angle.abs() <= 360.0).then(wrap_180_expr(angle)).otherwise(angle)


def _compass(sensor: pl.Expr, deviation: pl.Expr) -> pl.Expr:
    """Sensor heading put right by the deviation, folded to [0, 360) where the sensor's own is a heading at all."""
    return pl.when(sensor.is_between(0.0, 360.0)).then(wrap_360_expr(sensor + deviation)).otherwise(sensor + deviation)


def mode_valid(status: int | None, mode: int) -> pl.Expr:
    """Whether a sentence's fix counts, by status and mode (see the head of this module)."""
    not_void = pl.lit(True) if status is None else ~is_letter(status, "V")
    newer = is_letter(mode, "RFP") & not_void
    silent = text(mode).is_null() | (text(mode) == "")
    return is_letter(mode, "AD") | newer | (silent & not_void)


@dataclass(frozen=True, slots=True)
class Layout:
    """How one kind of sentence is read.

    `fields` is how many are looked at, `least` how many it must have; `numbers` and `letters` (with the letters that
    may stand there) are the fields that must be readable where they are not empty; `wrong` holds on what is readable
    and yet impossible. `values` gives the channels, taken where `valid`. `time` is the field with a time of day;
    `date` the field with ddmmyy, or the three with day, month and year. `prepare` brings older forms into this one.
    """

    fields: int
    least: int
    numbers: tuple[int, ...] = ()
    letters: Mapping[int, str] = field(default_factory=dict)
    values: Values = field(default_factory=dict)
    valid: pl.Expr | None = None
    wrong: tuple[pl.Expr, ...] = ()
    time: int | None = None
    date: tuple[int, ...] = ()
    prepare: Callable[[pl.DataFrame], pl.DataFrame] | None = None


MODES = "ADEFMNPRS"
_LABELS_VWR = {1: "LR", 3: "N", 5: "M", 7: "K"}


def _newer_vtg(fields: pl.DataFrame) -> pl.DataFrame:
    """Brings the old form (four bare numbers: true, magnetic, knots, km/h) into the new one; told apart by field 2."""
    old = (~text(1).is_in(["", "T"]) & text(4).is_null()).fill_null(False)
    if not fields.select(old.any()).item():
        return fields
    moved = {0: text(0), 2: text(1), 4: text(2), 6: text(3)}
    columns = [pl.when(old).then(moved.get(i, pl.lit(""))).otherwise(text(i)).alias(f"field_{i}") for i in range(9)]
    return fields.with_columns(columns)


def _bow_wind(angle: str, speed: str) -> Layout:
    return Layout(
        fields=8,
        least=4,
        numbers=(0, 2, 4, 6),
        letters=_LABELS_VWR,
        values={angle: _bow_angle(0), speed: _speed(2, 4, 6)},
    )


def _position(i: int) -> Values:
    return {"lat": _degrees(i, "N", "S"), "lon": _degrees(i + 2, "E", "W")}


def _position_wrong(i: int) -> tuple[pl.Expr, ...]:
    return _off_globe(i, 90), _off_globe(i + 2, 180)


_RELATIVE, _TRUE = is_letter(1, "R"), is_letter(1, "T")

LAYOUTS: dict[str, Layout] = {
    "MWV": Layout(
        fields=5,
        least=4,
        numbers=(0, 2),
        letters={1: "RT", 3: "KMNS", 4: "AV"},
        values={
            "awa": pl.when(_RELATIVE).then(_fold(number(0))),
            "aws": pl.when(_RELATIVE).then(_wind_speed(2, 3)),
            "twa": pl.when(_TRUE).then(_fold(number(0))),
            "tws": pl.when(_TRUE).then(_wind_speed(2, 3)),
        },
        valid=~is_letter(4, "V"),
    ),
    "MWD": Layout(
        fields=8,
        least=6,
        numbers=(0, 2, 4, 6),
        letters={1: "T", 3: "M", 5: "N", 7: "M"},
        values={"twd": number(0), "twd_mag": number(2), "tws": _speed(4, 6)},
    ),
    "VWR": _bow_wind("awa", "aws"),
    "VWT": _bow_wind("twa", "tws"),
    "VHW": Layout(
        fields=8,
        least=6,
        numbers=(0, 2, 4, 6),
        letters={1: "T", 3: "M", 5: "N", 7: "K"},
        values={"hdg_true": number(0), "hdg_mag": number(2), "bsp": _first(number(4), number(6) * KN_PER_KMH)},
    ),
    "VTG": Layout(
        fields=9,
        least=4,
        numbers=(0, 2, 4, 6),
        letters={1: "T", 3: "M", 5: "N", 7: "K", 8: MODES},
        values={"cog": number(0), "cog_mag": number(2), "sog": _first(number(4), number(6) * KN_PER_KMH)},
        valid=mode_valid(None, 8),
        prepare=_newer_vtg,
    ),
    "RMC": Layout(
        fields=12,
        least=9,
        numbers=(2, 4, 6, 7, 9),
        letters={1: "AV", 3: "NS", 5: "EW", 10: "EW", 11: MODES},
        values=_position(2) | {"sog": number(6), "cog": number(7), "variation": _signed(9, "E", "W")},
        valid=mode_valid(1, 11),
        wrong=_position_wrong(2),
        time=0,
        date=(8,),
    ),
    "GGA": Layout(
        fields=6,
        least=6,
        numbers=(1, 3),
        letters={2: "NS", 4: "EW", 5: "0123456789"},
        values=_position(1),
        valid=~is_letter(5, "0678"),
        wrong=_position_wrong(1),
        time=0,
    ),
    "GLL": Layout(
        fields=7,
        least=4,
        numbers=(0, 2),
        letters={1: "NS", 3: "EW", 5: "AV", 6: MODES},
        values=_position(0),
        valid=mode_valid(5, 6),
        wrong=_position_wrong(0),
        time=4,
    ),
    "GNS": Layout(
        fields=6,
        least=6,
        numbers=(1, 3),
        letters={2: "NS", 4: "EW"},
        values=_position(1),
        valid=(text(5) == "") | text(5).str.contains("[ADRFP]"),
        wrong=(~text(5).str.contains(f"^[{MODES}]*$"), *_position_wrong(1)),
        time=0,
    ),
    "ZDA": Layout(fields=4, least=4, time=0, date=(1, 2, 3)),
    "HDG": Layout(
        fields=5,
        least=5,
        numbers=(0, 1, 3),
        letters={2: "EW", 4: "EW"},
        values={
            "hdg_mag": pl.when(number(1).is_null())
            .then(number(0))
            .otherwise(_compass(number(0), _signed(1, "E", "W"))),
            "variation": _signed(3, "E", "W"),
        },
    ),
    "HDM": Layout(fields=2, least=2, numbers=(0,), letters={1: "M"}, values={"hdg_mag": number(0)}),
    "HDT": Layout(fields=2, least=2, numbers=(0,), letters={1: "T"}, values={"hdg_true": number(0)}),
    "VLW": Layout(
        fields=8,
        least=4,
        numbers=(0, 2, 4, 6),
        letters={1: "N", 3: "N", 5: "N", 7: "N"},
        values={"log_nm": number(0)},
    ),
    "VDR": Layout(
        fields=6,
        least=6,
        numbers=(0, 2, 4),
        letters={1: "T", 3: "M", 5: "N"},
        values={"current_set": number(0), "current_drift": number(4)},
    ),
    "DPT": Layout(fields=3, least=2, numbers=(0, 1, 2), values={"depth": number(0) + number(1).fill_null(0.0)}),
    "DBT": Layout(
        fields=6,
        least=4,
        numbers=(0, 2, 4),
        letters={1: "fF", 3: "M", 5: "F"},
        values={"depth": _first(number(2), number(0) * METRES_PER_FOOT, number(4) * METRES_PER_FATHOM)},
    ),
    "MTW": Layout(fields=2, least=2, numbers=(0,), letters={1: "C"}, values={"water_temp": number(0)}),
    "MDA": Layout(
        fields=20,
        least=4,
        numbers=(0, 2, 4, 6, 8, 9, 10, 12, 14, 16, 18),
        letters={1: "I", 3: "B", 5: "C", 7: "C", 11: "C", 13: "T", 15: "M", 17: "N", 19: "M"},
        values={
            "pressure": _first(number(2) * HPA_PER_BAR, number(0) * HPA_PER_INHG),
            "air_temp": number(4),
            "water_temp": number(6),
            "twd": number(12),
            "twd_mag": number(14),
            "tws": _speed(16, 18),
        },
    ),
    "ROT": Layout(
        fields=2,
        least=2,
        numbers=(0,),
        letters={1: "AV"},
        values={"rate_of_turn": number(0)},
        valid=~is_letter(1, "V"),
    ),
    "RSA": Layout(
        fields=4,
        least=2,
        numbers=(0, 2),
        letters={1: "AV", 3: "AV"},
        values={"rudder": number(0)},
        valid=~is_letter(1, "V"),
    ),
    "VPW": Layout(
        fields=4,
        least=2,
        numbers=(0, 2),
        letters={1: "N", 3: "M"},
        values={"vmg": _speed(0, 2)},
    ),
}
# Read by xdr.py, since its fields repeat.
TRANSDUCERS = "XDR"
FORMATTERS = (*LAYOUTS, TRANSDUCERS)
# Five characters that look like talker and sentence but are not: Garmin's sensor configuration is no RMC.
NOT_SENTENCES = ("PGRMC",)

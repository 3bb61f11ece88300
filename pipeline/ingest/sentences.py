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

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import wrap_180, wrap_360
from pipeline.ingest.columns import Columns
from pipeline.ingest.scan import Bools
from pipeline.units import (
    HPA_PER_BAR,
    HPA_PER_INHG,
    KN_PER_KMH,
    KN_PER_MPH,
    KN_PER_MS,
    METRES_PER_FATHOM,
    METRES_PER_FOOT,
)

Floats = NDArray[np.float64]
Value = Callable[[Columns], Floats]
Values = Mapping[str, Value]
Test = Callable[[Columns], Bools]


def number(i: int) -> Value:
    """Field i (from 0, behind the address) as a number; NaN where it is empty."""
    return lambda c: c.number(i)


def _scaled(i: int, factor: float) -> Value:
    return lambda c: c.number(i) * factor


def _is(i: int, letters: str) -> Test:
    return lambda c: c.is_letter(i, letters)


def _is_not(i: int, letters: str) -> Test:
    return lambda c: ~c.is_letter(i, letters)


def _first(*values: Value) -> Value:
    """The first value that is there."""

    def value(c: Columns) -> Floats:
        out = values[0](c)
        for other in values[1:]:
            blank = np.isnan(out)
            if not blank.any():
                break
            out = np.where(blank, other(c), out)
        return out

    return value


def _where(test: Test, value: Value) -> Value:
    return lambda c: np.where(test(c), value(c), np.nan)


def _with_sign(c: Columns, i: int, positive: str, negative: str, v: Floats) -> Floats:
    """`v` with the sign of the letter in field i; NaN without a letter, but 0 needs none."""
    unsigned = np.where(c.is_letter(i, negative), -v, np.where(v == 0, v, np.nan))
    return np.where(c.is_letter(i, positive), v, unsigned)


def _signed(i: int, positive: str, negative: str) -> Value:
    """Number i with the sign of the letter behind it."""
    return lambda c: _with_sign(c, i + 1, positive, negative, c.number(i))


SIXTIETH = 1.0 / 60.0


def _whole_and_minutes(v: Floats) -> tuple[Floats, Floats]:
    whole = np.floor(v * 0.01)
    return whole, v - whole * 100.0


def _degrees(i: int, positive: str, negative: str) -> Value:
    """Latitude or longitude of the form dddmm.mmm in fields i and i + 1."""

    def value(c: Columns) -> Floats:
        whole, minutes = _whole_and_minutes(c.number(i))
        return _with_sign(c, i + 1, positive, negative, whole + minutes * SIXTIETH)

    return value


def _off_globe(i: int, limit: int) -> Test:
    def test(c: Columns) -> Bools:
        whole, minutes = _whole_and_minutes(c.number(i))
        return (c.number(i) < 0) | (minutes >= 60.0) | (whole + minutes * SIXTIETH > limit)

    return test


def _speed(kn: int, ms: int, kmh: int | None = None) -> Value:
    """A speed that is given in several units: knots where given, else m/s, else km/h."""
    values = [number(kn), _scaled(ms, KN_PER_MS)]
    return _first(*values, _scaled(kmh, KN_PER_KMH)) if kmh is not None else _first(*values)


_WIND_UNITS = (("M", KN_PER_MS), ("K", KN_PER_KMH), ("S", KN_PER_MPH))


def _wind_speed(value: int, unit: int) -> Value:
    def read(c: Columns) -> Floats:
        v = c.number(value)
        out = np.where(c.is_letter(unit, "N"), v, np.nan)
        for letter, factor in _WIND_UNITS:
            out = np.where(c.is_letter(unit, letter), v * factor, out)
        return out

    return read


def _bow_angle(i: int) -> Value:
    """A bow angle with L or R behind it, signed, starboard positive, folded to [-180, 180)."""

    def value(c: Columns) -> Floats:
        v = c.number(i)
        sideless = np.where(v % 180.0 == 0, v, np.nan)
        return _folded(np.where(c.is_letter(i + 1, "R"), v, np.where(c.is_letter(i + 1, "L"), -v, sideless)))

    return value


def _folded(angle: Floats) -> Floats:
    """Bow angles of at most a full turn folded to [-180, 180); beyond that they are no angle and stay as they are."""
    return np.where(np.abs(angle) <= 360.0, wrap_180(angle), angle)


def _bow(i: int) -> Value:
    return lambda c: _folded(c.number(i))


def _compass(c: Columns) -> Floats:
    """Sensor heading put right by the deviation, folded to [0, 360) where the sensor's own is a heading at all."""
    sensor = c.number(0)
    right = sensor + _signed(1, "E", "W")(c)
    right = np.where((sensor >= 0.0) & (sensor <= 360.0), wrap_360(right), right)
    return np.where(np.isnan(c.number(1)), sensor, right)


def _depth(c: Columns) -> Floats:
    return c.number(0) + np.nan_to_num(c.number(1), nan=0.0)


def _mode_valid(status: int | None, mode: int) -> Test:
    """Whether a sentence's fix counts, by status and mode (see the head of this module)."""

    def test(c: Columns) -> Bools:
        not_void = np.ones(c.n, bool) if status is None else ~c.is_letter(status, "V")
        trusted = c.is_letter(mode, "RFP") | c.is_blank(mode)
        return c.is_letter(mode, "AD") | (trusted & not_void)

    return test


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
    valid: Test | None = None
    wrong: tuple[Test, ...] = ()
    time: int | None = None
    date: tuple[int, ...] = ()
    prepare: Callable[[Columns], Columns] | None = None


MODES = "ADEFMNPRS"
_LABELS_VWR = {1: "LR", 3: "N", 5: "M", 7: "K"}


def _newer_vtg(c: Columns) -> Columns:
    """Brings the old form (four bare numbers: true, magnetic, knots, km/h) into the new one; told apart by field 1."""
    old = ~c.is_blank(1) & ~c.is_letter(1, "T") & c.is_missing(4)
    return c.moved(old, {0: 0, 2: 1, 4: 2, 6: 3}) if old.any() else c


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


def _position_wrong(i: int) -> tuple[Test, ...]:
    return _off_globe(i, 90), _off_globe(i + 2, 180)


LAYOUTS: dict[str, Layout] = {
    "MWV": Layout(
        fields=5,
        least=4,
        numbers=(0, 2),
        letters={1: "RT", 3: "KMNS", 4: "AV"},
        values={
            "awa": _where(_is(1, "R"), _bow(0)),
            "aws": _where(_is(1, "R"), _wind_speed(2, 3)),
            "twa": _where(_is(1, "T"), _bow(0)),
            "tws": _where(_is(1, "T"), _wind_speed(2, 3)),
        },
        valid=_is_not(4, "V"),
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
        values={"hdg_true": number(0), "hdg_mag": number(2), "bsp": _first(number(4), _scaled(6, KN_PER_KMH))},
    ),
    "VTG": Layout(
        fields=9,
        least=4,
        numbers=(0, 2, 4, 6),
        letters={1: "T", 3: "M", 5: "N", 7: "K", 8: MODES},
        values={"cog": number(0), "cog_mag": number(2), "sog": _first(number(4), _scaled(6, KN_PER_KMH))},
        valid=_mode_valid(None, 8),
        prepare=_newer_vtg,
    ),
    "RMC": Layout(
        fields=12,
        least=9,
        numbers=(2, 4, 6, 7, 9),
        letters={1: "AV", 3: "NS", 5: "EW", 10: "EW", 11: MODES},
        values=_position(2) | {"sog": number(6), "cog": number(7), "variation": _signed(9, "E", "W")},
        valid=_mode_valid(1, 11),
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
        valid=_is_not(5, "0678"),
        wrong=_position_wrong(1),
        time=0,
    ),
    "GLL": Layout(
        fields=7,
        least=4,
        numbers=(0, 2),
        letters={1: "NS", 3: "EW", 5: "AV", 6: MODES},
        values=_position(0),
        valid=_mode_valid(5, 6),
        wrong=_position_wrong(0),
        time=4,
    ),
    "GNS": Layout(
        fields=6,
        least=6,
        numbers=(1, 3),
        letters={2: "NS", 4: "EW"},
        values=_position(1),
        valid=lambda c: c.is_blank(5) | c.matches(5, "[ADRFP]"),
        wrong=(lambda c: ~c.matches(5, f"^[{MODES}]*$"), *_position_wrong(1)),
        time=0,
    ),
    "ZDA": Layout(fields=4, least=4, time=0, date=(1, 2, 3)),
    "HDG": Layout(
        fields=5,
        least=5,
        numbers=(0, 1, 3),
        letters={2: "EW", 4: "EW"},
        values={
            "hdg_mag": _compass,
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
    "DPT": Layout(fields=3, least=2, numbers=(0, 1, 2), values={"depth": _depth}),
    "DBT": Layout(
        fields=6,
        least=4,
        numbers=(0, 2, 4),
        letters={1: "fF", 3: "M", 5: "F"},
        values={"depth": _first(number(2), _scaled(0, METRES_PER_FOOT), _scaled(4, METRES_PER_FATHOM))},
    ),
    "MTW": Layout(fields=2, least=2, numbers=(0,), letters={1: "C"}, values={"water_temp": number(0)}),
    "MDA": Layout(
        fields=20,
        least=4,
        numbers=(0, 2, 4, 6, 8, 9, 10, 12, 14, 16, 18),
        letters={1: "I", 3: "B", 5: "C", 7: "C", 11: "C", 13: "T", 15: "M", 17: "N", 19: "M"},
        values={
            "pressure": _first(_scaled(2, HPA_PER_BAR), _scaled(0, HPA_PER_INHG)),
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
        valid=_is_not(1, "V"),
    ),
    "RSA": Layout(
        fields=4,
        least=2,
        numbers=(0, 2),
        letters={1: "AV", 3: "AV"},
        values={"rudder": number(0)},
        valid=_is_not(1, "V"),
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

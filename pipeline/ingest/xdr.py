"""Transducer sentences (XDR): any number of quadruplets of type, value, unit and name.

A name is free text; `^hh` in it is a byte in hexadecimal. Names are mapped to channels through the campaign's
transducers first and the usual names next (common practice, no source); any other name becomes a further channel, its
value kept as written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.channels import BY_NAME, GROUPS
from pipeline.ingest.clock import Ints
from pipeline.ingest.fields import BAD_FIELD, FINE
from pipeline.ingest.numbers import READ, UNREADABLE, read_numbers
from pipeline.ingest.scan import COMMA, Bytes, Text, low_bytes
from pipeline.units import UNITS

USUAL_NAMES: dict[str, str] = {
    "HEEL": "heel",
    "ROLL": "heel",
    "PITCH": "pitch",
    "PTCH": "pitch",
    "TRIM": "pitch",
    "RUDDER": "rudder",
    "LEEWAY": "leeway",
    "AIRTEMP": "air_temp",
    "TEMPAIR": "air_temp",
    "WATERTEMP": "water_temp",
    "BARO": "pressure",
    "BAROMETER": "pressure",
}
# Letters of units by dimension; a blank unit is the house's own. B and P from the gpsd notes, I as in MDA.
_UNIT_LETTERS: dict[tuple[str, str], str] = {
    ("angle", "D"): "deg",
    ("angle", "R"): "rad",
    ("temperature", "C"): "degC",
    ("temperature", "F"): "degF",
    ("temperature", "K"): "K",
    ("pressure", "B"): "bar",
    ("pressure", "P"): "Pa",
    ("pressure", "I"): "inHg",
    ("speed", "N"): "kn",
    ("speed", "M"): "m/s",
    ("speed", "K"): "km/h",
    ("length", "M"): "m",
    ("length", "F"): "ft",
    ("turn", "D"): "deg/min",
}
# Texts of up to so many machine words, and so many different ones, are told apart without making them text.
MOST_WORDS, MOST_MEANINGS = 8, 64
_MIX = np.uint64(0x9E3779B97F4A7C15)
_RESERVED = frozenset({"time", "source", "file_id", *BY_NAME, *GROUPS})


@dataclass(frozen=True, slots=True)
class Transduced:
    """Sentences' states, and for each channel and name the sentences' indices, ascending, and the values."""

    state: Bytes
    rows: dict[tuple[str, str], tuple[Ints, NDArray[np.float64]]]


def unescaped(name: str) -> str:
    """A name with its `^hh` escapes resolved and outer blanks taken off."""
    return re.sub(r"\^([0-9A-Fa-f]{2})", lambda m: chr(int(m[1], 16)), name).strip()


def safe_name(name: str) -> str:
    """A column name for a further channel: lower case, letters, digits and `_`; none that the catalogue uses."""
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "unnamed"
    return f"xdr_{plain}" if plain in _RESERVED or plain[0].isdigit() else plain


def channel_of(name: str, transducers: Mapping[str, str]) -> str:
    """The channel that a transducer's name stands for."""
    given = {k.strip().upper(): v for k, v in transducers.items()}
    wanted = transducers.get(name) or given.get(name.upper())
    if wanted is not None:
        return wanted if wanted in BY_NAME else safe_name(wanted)
    return USUAL_NAMES.get(name.upper()) or safe_name(name)


def read_transducers(
    text: Text, commas: Ints, first: Ints, start: Ints, end: Ints, transducers: Mapping[str, str]
) -> Transduced:
    """Reads the bodies [start, end) of XDR sentences; `first` is the index of the first of `commas` in each.

    A sentence that has an unreadable value, or fields left over, is rejected whole.
    """
    count = np.searchsorted(commas, end) - first + 1
    trailing = (count % 4 == 1) & (text.raw[end - 1] == COMMA)  # one blank field behind the last quadruplet
    count -= trailing | (start == end)
    state = np.where((count % 4 != 0) | (count == 0), BAD_FIELD, FINE).astype(np.uint8)
    groups = np.where(state == FINE, count // 4, 0)
    row = np.repeat(np.arange(len(count)), groups)
    within = 4 * (np.arange(len(row)) - np.repeat(np.cumsum(groups) - groups, groups))
    ends = [np.minimum(commas[first[row] + within + k], end[row]) for k in range(4)]
    begins = np.where(within == 0, start[row], commas[first[row] + within - 1] + 1)
    starts = [begins, *(e + 1 for e in ends[:-1])]
    value, read = read_numbers(text, starts[1], ends[1])
    alike, seen = _alike(text, [(starts[k], ends[k]) for k in (0, 2, 3)])
    means = [_meaning(*(_text_at(text, starts[k][i], ends[k][i]) for k in (0, 2, 3)), transducers) for i in seen]
    understood = np.array([m.understood for m in means], bool)[alike]
    state[row[(read == UNREADABLE) | (~understood & (read == READ))]] = BAD_FIELD
    kept = (read == READ) & (state[row] == FINE)
    value = value * np.array([m.factor for m in means])[alike] + np.array([m.offset for m in means])[alike]
    names = list(dict.fromkeys((m.channel, m.plain) for m in means))
    named = np.array([names.index((m.channel, m.plain)) for m in means], np.int64)[alike]
    out = {}
    for i, name in enumerate(names):
        at = np.flatnonzero(kept & (named == i))
        if len(at):
            out[name] = row[at], value[at]
    return Transduced(state, out)


def _text_at(text: Text, start: np.int64, end: np.int64) -> str:
    return text.raw[start:end].tobytes().decode("ascii", "replace").replace("\ufffd", "?")


def _alike(text: Text, fields: list[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    """Which entries have the same text in all of the fields: a number each, and the first entry of each number."""
    n = len(fields[0][0])
    words = []
    for start, end in fields:
        longest = int((end - start).max(initial=0))
        if longest > 8 * MOST_WORDS:
            return _alike_by_text(text, fields)
        for at in range(0, longest, 8):
            held = np.clip(end - start - at, 0, 8)
            words.append(np.where(held > 0, text.eight_bytes(start + at) & low_bytes(held), np.uint64(0)))
    mixed = np.zeros(n, np.uint64)
    for word in words:
        mixed = (mixed ^ word) * _MIX
        mixed ^= mixed >> np.uint64(29)
    number, seen, rest = np.zeros(n, np.int64), [], np.arange(n)
    while len(rest):
        same = mixed[rest] == mixed[rest[0]]
        members = rest[same]
        if len(seen) == MOST_MEANINGS or any((word[members] != word[members[0]]).any() for word in words):
            return _alike_by_text(text, fields)
        number[members] = len(seen)
        seen.append(int(members[0]))
        rest = rest[~same]
    return number, np.array(seen, np.int64)


def _alike_by_text(text: Text, fields: list[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    """The same for texts of any length and number."""
    frame = pl.DataFrame([text.strings(*field).alias(str(i)) for i, field in enumerate(fields)]).with_row_index()
    firsts = frame.group_by(pl.exclude("index"), maintain_order=True).agg(pl.col("index").first().alias("first"))
    numbered = firsts.with_row_index("number")
    keys = [str(i) for i in range(len(fields))]
    joined = frame.join(numbered, on=keys, how="left", maintain_order="left")
    return joined["number"].to_numpy().astype(np.int64), firsts["first"].to_numpy().astype(np.int64)


@dataclass(frozen=True, slots=True)
class _Meaning:
    """What one combination of type, unit and name stands for."""

    channel: str
    plain: str
    factor: float = 1.0
    offset: float = 0.0
    understood: bool = True


def _meaning(kind: str, unit: str, name: str, transducers: Mapping[str, str]) -> _Meaning:
    plain = unescaped(name) or kind
    channel = channel_of(plain, transducers)
    if channel not in BY_NAME:
        return _Meaning(channel, plain)
    known = _UNIT_LETTERS.get((BY_NAME[channel].dimension, unit.strip().upper()))
    if known is None:
        return _Meaning(channel, plain, understood=unit.strip() == "")
    _, factor, offset = UNITS[known]
    return _Meaning(channel, plain, factor, offset)

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

from pipeline.channels import BY_NAME, GROUPS
from pipeline.ingest.clock import Ints
from pipeline.ingest.fields import BAD_FIELD, FINE
from pipeline.ingest.scan import Bytes
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
_RESERVED = frozenset({"time", "source", "file_id", *BY_NAME, *GROUPS})


@dataclass(frozen=True, slots=True)
class Transduced:
    """Sentences' states, and for each channel and name the rows: index of the sentence (`row`) and `value`."""

    state: Bytes
    rows: dict[tuple[str, str], pl.DataFrame]


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


def read_transducers(bodies: pl.Series, transducers: Mapping[str, str]) -> Transduced:
    """Reads the bodies of XDR sentences. One that has an unreadable value, or fields left over, is rejected whole."""
    lists = bodies.str.split(",")
    count = lists.list.len().to_numpy().astype(np.int64)
    first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64) if len(count) else count
    flat = lists.explode(keep_nulls=True, empty_as_null=True)
    count = _without_trailing_blank(flat, first, count)
    state = np.where((count % 4 != 0) | (count == 0), BAD_FIELD, FINE).astype(np.uint8)
    groups = np.where(state == FINE, count // 4, 0)
    row = np.repeat(np.arange(len(count)), groups)
    within = np.arange(len(row)) - np.repeat(np.cumsum(groups) - groups, groups)
    at = first[row] + 4 * within
    quads = pl.DataFrame(
        {"row": row, "kind": flat[at], "text": flat[at + 1], "unit": flat[at + 2], "name": flat[at + 3]}
    ).with_columns(pl.col("text").str.strip_chars(" ").cast(pl.Float64, strict=False).alias("value"))
    quads = quads.join(_meanings(quads, transducers), on=["kind", "unit", "name"], how="left", maintain_order="left")
    unreadable = (pl.col("text").str.strip_chars(" ") != "") & ~pl.col("value").is_finite().fill_null(False)
    bad = quads.filter(unreadable | (~pl.col("understood") & pl.col("value").is_not_null()))["row"].to_numpy()
    state[bad] = BAD_FIELD
    kept = quads.filter(pl.col("value").is_not_null() & pl.Series(state[row] == FINE)).select(
        "row", "channel", "plain", (pl.col("value") * pl.col("factor") + pl.col("offset")).alias("value")
    )
    parts = kept.partition_by("channel", "plain", as_dict=True, include_key=False, maintain_order=True)
    return Transduced(state, {(str(c), str(p)): part for (c, p), part in parts.items()})


def _without_trailing_blank(flat: pl.Series, first: Ints, count: Ints) -> Ints:
    """Numbers of fields, one blank field behind the last quadruplet not counted."""
    if not len(count):
        return count
    blank = (flat[first + count - 1] == "").to_numpy()
    return count - ((count % 4 == 1) & blank)


def _meanings(quads: pl.DataFrame, transducers: Mapping[str, str]) -> pl.DataFrame:
    """Channel, conversion and whether the unit is understood, for each combination of type, unit and name met."""
    seen = quads.select("kind", "unit", "name").unique(maintain_order=True)
    rows = [_meaning(kind, unit, name, transducers) for kind, unit, name in seen.iter_rows()]
    schema = {"channel": pl.String, "plain": pl.String, "factor": pl.Float64, "offset": pl.Float64}
    return seen.hstack(pl.DataFrame(rows, schema=schema | {"understood": pl.Boolean}, orient="row"))


def _meaning(kind: str, unit: str, name: str, transducers: Mapping[str, str]) -> tuple[str, str, float, float, bool]:
    plain = unescaped(name) or kind
    channel = channel_of(plain, transducers)
    if channel not in BY_NAME:
        return channel, plain, 1.0, 0.0, True
    known = _UNIT_LETTERS.get((BY_NAME[channel].dimension, unit.strip().upper()))
    if known is None:
        return channel, plain, 1.0, 0.0, unit.strip() == ""
    _, factor, offset = UNITS[known]
    return channel, plain, factor, offset, True

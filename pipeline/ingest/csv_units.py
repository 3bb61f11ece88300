"""Units as CSV loggers write them, and the conversion of a column to the pipeline's own unit."""

from __future__ import annotations

from pipeline.channels import BY_NAME
from pipeline.units import UNITS

# Spellings seen in headings and units rows, beside the names of `pipeline.units` (common practice, no source).
_SPELLINGS = {
    "kt": "kn",
    "kts": "kn",
    "knot": "kn",
    "knots": "kn",
    "mps": "m/s",
    "m s-1": "m/s",
    "km/hr": "km/h",
    "kmh": "km/h",
    "kph": "km/h",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "deg t": "deg",
    "deg m": "deg",
    "°t": "deg",
    "°m": "deg",
    "radians": "rad",
    "metre": "m",
    "metres": "m",
    "meters": "m",
    "feet": "ft",
    "°c": "degC",
    "c": "degC",
    "°f": "degF",
    "f": "degF",
    "mb": "mbar",
    "°/s": "deg/s",
    "°/min": "deg/min",
}
_BY_LOWER = {name.lower(): name for name in UNITS} | _SPELLINGS


def unit_named(text: str) -> str | None:
    """The unit of `pipeline.units` that `text` names, brackets and case aside; None if there is none."""
    bare = text.strip().strip("[](){}").strip()
    return bare if bare in UNITS else _BY_LOWER.get(bare.lower())


def conversion(channel: str, unit: str | None) -> tuple[float, float]:
    """Factor and offset from `unit` to the house unit of `channel`; (1, 0) without a unit.

    A further transducer keeps the unit that it came in. Raises `ValueError` with a sentence for a unit that is not
    known or measures something else.
    """
    known = BY_NAME.get(channel)
    if unit is None or known is None:
        return 1.0, 0.0
    name = unit_named(unit)
    if name is None:
        raise ValueError(f"unit {unit!r} of {channel} is not known; use one of {', '.join(_fitting(known.dimension))}")
    dimension, factor, offset = UNITS[name]
    if dimension != known.dimension:
        fitting = ", ".join(_fitting(known.dimension)) or known.unit
        raise ValueError(f"unit {unit!r} does not fit {channel}, a {known.dimension}; use one of {fitting}")
    return factor, offset


def _fitting(dimension: str) -> list[str]:
    return [name for name, (of, _, _) in UNITS.items() if of == dimension]

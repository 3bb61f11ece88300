"""Units as CSV loggers write them, and the conversion of a column to the pipeline's own unit."""

from __future__ import annotations

from pipeline.channels import BY_NAME
from pipeline.units import UNITS, unit_named


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

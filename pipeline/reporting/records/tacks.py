"""Port against starboard beside a border: how far apart it lies on the two tacks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

import polars as pl

from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.diagnostics.borders import KEYS


@dataclass(frozen=True, slots=True)
class TackShift:
    """The border on port tack less that on starboard, in kn or deg as the border's own, with its 90 % interval."""

    shift: float
    low: float
    high: float


def tack_shifts(tables: Mapping[str, pl.DataFrame]) -> dict[tuple[object, ...], TackShift]:
    """By border, named by `KEYS`; those that cannot be told are left out, all of them where the table is missing."""
    if "port_starboard" not in tables:
        return {}
    told = tables["port_starboard"].drop_nulls(["port_less_starboard", "low", "high"])
    return {
        tuple(r[k] for k in KEYS): TackShift(r["port_less_starboard"], r["low"], r["high"])
        for r in told.iter_rows(named=True)
    }


def typical_tack_shift(
    shifts: Mapping[tuple[object, ...], TackShift], set_a: str, set_b: str, along: str
) -> TackShift | None:
    """Medians over the fixed-angle points of a border in one direction; None without any.

    Where set_b nowhere overtakes set_a, those where it is the other way round.
    """
    for pair in ((set_a, set_b), (set_b, set_a)):
        mine = [s for k, s in shifts.items() if (k[0], k[1], k[2], k[3]) == (*pair, FIXED_ANGLE, along)]
        if mine:
            return TackShift(median(s.shift for s in mine), median(s.low for s in mine), median(s.high for s in mine))
    return None

"""Targets up and down wind: the boat's, with the set that reaches them, and each set's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.crossovers.made_good import MODES
from pipeline.crossovers.targets import WHOLE_BOAT


@dataclass(frozen=True, slots=True)
class Target:
    """Best angle of one set in one wind: speeds at that angle, velocity made good along the wind.

    Between `from_deg` and `to_deg` hardly anything of that is lost; None where the data end before.
    """

    sail_set: str
    tws_kn: float
    twa_deg: float
    bsp_kn: float
    best_tenth_kn: float | None
    vmg_kn: float
    from_deg: float | None = None
    to_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Leg:
    """One mode: the boat's targets by wind, and those of every set that has any."""

    mode: str
    boat: tuple[Target, ...]
    sets: tuple[Target, ...]


def target_legs(tables: Mapping[str, pl.DataFrame]) -> tuple[Leg, ...]:
    """From `targets`; a mode without a row is left out. The boat's row is that of the set that makes most good."""
    legs = []
    for mode in MODES:
        rows = tables["targets"].filter((pl.col("mode") == mode) & (pl.col("sail_set") != WHOLE_BOAT))
        ordered = rows.sort("tws_kn", "vmg_kn", "sail_set", descending=[False, True, False])
        best = ordered.unique("tws_kn", keep="first", maintain_order=True)
        if best.height:
            legs.append(Leg(mode, _targets(best), _targets(rows.sort("sail_set", "tws_kn"))))
    return tuple(legs)


def _targets(rows: pl.DataFrame) -> tuple[Target, ...]:
    return tuple(
        Target(
            r["sail_set"],
            r["tws_kn"],
            r["twa_deg"],
            r["bsp_kn"],
            r["bsp_best_tenth_kn"],
            r["vmg_kn"],
            r.get("twa_from_deg"),
            r.get("twa_to_deg"),
        )
        for r in rows.iter_rows(named=True)
    )

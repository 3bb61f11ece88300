"""Fits and boats made by hand for the tests of the inventory."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.campaign.settings import Boat, Instruments, Rules, Sail, SailSet
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

Floats = NDArray[np.float64]
Surface = Callable[[Floats, Floats], Floats]
DRAWS = 200


def boat_of(sails: Mapping[str, float | None], sets: Mapping[str, str], *, required: str = "", **rules: float) -> Boat:
    """A boat with the mainsail MN (50 kg) and `sails` (code: weight); `sets` (name: codes beside the mainsail)."""
    forward = {
        code: Sail(code, "headsail", f"stay {code}", weight_kg=kg, required=code in required.split())
        for code, kg in sails.items()
    }
    named = tuple(SailSet(name, ("MN", *codes.split())) for name, codes in sets.items())
    main = {"MN": Sail("MN", "mainsail", "mast", weight_kg=50.0)}
    return Boat("b", 10.0, Instruments(10.0), sails=main | forward, sail_sets=named, rules=Rules(**rules))  # type: ignore[arg-type]


def with_sail(boat: Boat, code: str, **changes: object) -> Boat:
    """The boat with one sail changed."""
    return replace(boat, sails={**boat.sails, code: replace(boat.sails[code], **changes)})  # type: ignore[arg-type]


def fit_of(
    surfaces: Mapping[str, Surface],
    tws_kn: Floats,
    twa_deg: Floats,
    *,
    sd: float = 0.0,
    supported: Mapping[str, NDArray[np.bool_]] | None = None,
    reached: Mapping[str, NDArray[np.bool_]] | None = None,
    seed: int = 0,
) -> tuple[SeasonFit, Floats]:
    """A fit with these speeds (kn) on the grid, and joint draws: each set off by one normal of `sd` everywhere.

    `supported` and `reached` (tws, twa) for the sets that are not known everywhere.
    """
    tws, twa = np.meshgrid(tws_kn, twa_deg, indexing="ij")
    everywhere = np.ones(tws.shape, dtype=bool)
    near = np.stack([(reached or {}).get(s, everywhere) for s in surfaces])
    log_speed = np.where(
        near, np.log(np.stack([np.broadcast_to(f(tws, twa), tws.shape) for f in surfaces.values()])), np.nan
    )
    known = near & np.stack([(supported or {}).get(s, everywhere) for s in surfaces])
    noise = (
        np.random.default_rng(seed).normal(0.0, sd, (DRAWS, len(surfaces))) if sd else np.zeros((DRAWS, len(surfaces)))
    )
    fit = SeasonFit(
        surfaces=TABLES["surfaces"].empty(),
        sets=tuple(surfaces),
        tws_kn=tws_kn,
        twa_deg=twa_deg,
        log_speed=log_speed,
        log_sd=np.where(near, sd, np.nan),
        supported=known,
        minutes=known * 10.0,
        parameters={},
        weights=np.zeros(0),
        leeway_deg=np.zeros((0, 0)),
    )
    return fit, log_speed[None] + noise[:, :, None, None]


def conditions(*rows: tuple[float, float, float]) -> pl.DataFrame:
    """`tws_kn, twa_deg, hours`."""
    return pl.DataFrame(
        list(rows), schema={"tws_kn": pl.Float64, "twa_deg": pl.Float64, "hours": pl.Float64}, orient="row"
    )


def constant(speed_kn: float) -> Surface:
    """The same speed everywhere."""
    return lambda tws, twa: np.full_like(tws, speed_kn)

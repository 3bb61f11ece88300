"""Data that say little or make no sense: wider intervals or blanks, never an error or a confident answer."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Instruments
from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.surfaces.season import fit_season

BOAT = Boat(name="poor", loa_m=12.0, instruments=Instruments(wind_sensor_height_m=10.0))


def windows(
    n: int,
    *,
    sets: tuple[str, ...] = ("J1", "J2"),
    tws_kn: np.ndarray | float = 12.0,
    twa_deg: np.ndarray | float = 50.0,
    bsp_kn: np.ndarray | float = 7.0,
    days: int = 1,
) -> pl.DataFrame:
    start = datetime(2027, 6, 1, 10)
    at = [start + timedelta(days=k * days // n, minutes=k) for k in range(n)]
    whole = np.ones(n)
    return pl.DataFrame(
        {
            "start": at,
            "end": [t + timedelta(seconds=45) for t in at],
            "sail_set": [sets[k % len(sets)] for k in range(n)],
            "tws_kn": whole * tws_kn,
            "twa_deg": whole * twa_deg,
            "bsp_kn": whole * bsp_kn,
        },
        schema_overrides={"start": pl.Datetime("us"), "end": pl.Datetime("us"), "sail_set": pl.String},
    )


def spoilt(n: int) -> pl.DataFrame:
    """Sound windows with every third wind or speed impossible."""
    rng = np.random.default_rng(3)
    frame = windows(n, tws_kn=rng.uniform(8, 14, n), twa_deg=rng.uniform(40, 60, n), bsp_kn=rng.uniform(6, 8, n))
    bad = [float("nan"), float("inf"), float("-inf"), 0.0, -3.0, None]
    speeds, winds = frame["bsp_kn"].to_list(), frame["tws_kn"].to_list()
    for k in range(0, n, 6):
        speeds[k] = bad[k // 6 % len(bad)]
        winds[(k + 3) % n] = bad[(k // 6 + 1) % 3]
    return frame.with_columns(bsp_kn=pl.Series(speeds, dtype=pl.Float64), tws_kn=pl.Series(winds, dtype=pl.Float64))


RNG = np.random.default_rng(4)
POOR = {
    "one window": windows(1),
    "two windows, two sets": windows(2),
    "one wind, one angle, one speed": windows(80, days=4),
    "one set alone": windows(60, sets=("J1",), bsp_kn=RNG.uniform(6.8, 7.2, 60)),
    "two sets in one and the same": windows(
        120,
        tws_kn=np.repeat(RNG.uniform(8, 14, 60), 2),
        twa_deg=np.repeat(RNG.uniform(40, 60, 60), 2),
        bsp_kn=np.repeat(RNG.uniform(6, 8, 60), 2),
        days=3,
    ),
    "one tack only": windows(90, twa_deg=-RNG.uniform(40, 60, 90), bsp_kn=RNG.uniform(6.5, 7.5, 90), days=3),
    "impossible values": spoilt(90),
    "a gale and a calm": windows(60, tws_kn=np.tile([0.3, 70.0], 30), bsp_kn=np.tile([0.2, 25.0], 30), days=2),
    "many sets, a window each": windows(30, sets=tuple(f"S{k}" for k in range(30)), bsp_kn=RNG.uniform(5, 9, 30)),
    "dead downwind and head to wind": windows(60, twa_deg=np.tile([0.0, 180.0], 30), bsp_kn=RNG.uniform(1, 8, 60)),
}


@pytest.mark.parametrize("name", POOR)
def test_poor_data_end_in_doubt(name: str) -> None:
    fit = fit_season(POOR[name], BOAT)
    surfaces = fit.surfaces
    given = surfaces.drop_nulls("bsp_kn")
    for column in ("bsp_kn", "bsp_low_kn", "bsp_high_kn"):
        values = surfaces[column].drop_nulls().to_numpy()
        assert np.isfinite(values).all() and (values >= 0).all(), column
    assert (given["bsp_low_kn"] <= given["bsp_kn"]).all() and (given["bsp_kn"] <= given["bsp_high_kn"]).all()
    tables = cross(fit, BOAT, np.log(fit.draws(DRAWS, SEED)), None, None)
    # None of these data tell one set from another.
    assert tables["crossovers"].filter(pl.col("verdict") == "clear").is_empty()


@pytest.mark.parametrize("name", ["impossible values", "two sets in one and the same"])
def test_poor_data_in_any_order_give_the_same(name: str) -> None:
    frame = POOR[name]
    again = fit_season(frame.sample(fraction=1.0, shuffle=True, seed=5), BOAT)
    assert again.surfaces.equals(fit_season(frame, BOAT).surfaces)

"""Targets and best-tenth surfaces against seasons whose days are known."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Instruments
from pipeline.crossovers.best_tenth import (
    BEST_TENTH_SCHEMA,
    TENTH,
    best_tenth,
    best_tenth_factor,
    best_tenth_surfaces,
)
from pipeline.crossovers.targets import good_angles, targets
from pipeline.surfaces.season import SeasonFit, fit_season

BOAT = Boat("known", 12.0, Instruments(wind_sensor_height_m=10.0))
DAYS, PER_DAY = 20, 40
UP_SD, DOWN_SD = 0.010, 0.030


def season(seed: int, noise: float) -> tuple[pl.DataFrame, np.ndarray]:
    """Half of each day upwind and half running, days differing more on runs; and the windows' true effects (log)."""
    rng = np.random.default_rng(seed)
    n = DAYS * PER_DAY
    day, place = np.divmod(np.arange(n), PER_DAY)
    up = place < PER_DAY // 2
    angle = np.where(up, rng.uniform(35.0, 62.0, n), rng.uniform(132.0, 178.0, n))
    tws = rng.uniform(9.0, 14.0, n)
    by_day = [sd * (x - x.mean()) / x.std() for sd, x in ((sd, rng.normal(size=DAYS)) for sd in (UP_SD, DOWN_SD))]
    effect = np.where(up, by_day[0][day], by_day[1][day])
    # Upwind V ~ sin(TWA / 2), best at 48.2 deg; running V ~ sin TWA, best at 135 deg.
    law = np.where(up, np.sin(np.radians(angle / 2.0)), 0.7 * np.sin(np.radians(np.minimum(angle, 176.0))) + 0.05)
    first = datetime(2027, 6, 1, 10)
    starts = [first + timedelta(days=d, minutes=2 * p) for d, p in zip(day.tolist(), place.tolist(), strict=True)]
    frame = pl.DataFrame(
        {
            "start": starts,
            "end": [t + timedelta(seconds=45) for t in starts],
            "session": day,
            "sail_set": "J1",
            "tws_kn": tws,
            "twa_deg": np.where(place % 10 < 5, -angle, angle),
            "bsp_kn": 10.0 * law * np.exp(effect + rng.normal(0.0, noise, n)),
        },
        schema_overrides={"start": pl.Datetime("us"), "end": pl.Datetime("us")},
    )
    return frame, np.stack([np.quantile(effect[up], 0.9), np.quantile(effect[~up], 0.9)])


@pytest.fixture(scope="module")
def quiet() -> tuple[SeasonFit, np.ndarray]:
    windows, true = season(1, 0.005)
    return fit_season(windows, BOAT), true


@pytest.fixture(scope="module")
def noisy() -> tuple[SeasonFit, np.ndarray]:
    windows, true = season(1, 0.04)
    return fit_season(windows, BOAT), true


def test_each_mode_has_its_own_best_tenth(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    fit, true = quiet
    found = best_tenth(fit)
    assert found.gain[[0, 2]] == pytest.approx(true, abs=0.004)
    assert found.gain[2] > 2.0 * found.gain[0]


def test_noise_of_single_windows_is_no_speed(noisy: tuple[SeasonFit, np.ndarray]) -> None:
    fit, true = noisy
    found = best_tenth(fit)
    raw = TENTH * 0.04
    assert found.gain[0] < 0.6 * raw  # a tenth of the windows look faster than that
    assert np.abs(found.gain[[0, 2]] - true).max() < 0.012
    assert (np.abs(found.gain[[0, 2]] - true) < 3.0 * found.sd[[0, 2]]).all()


def test_between_the_modes_it_is_blended(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    found = best_tenth(quiet[0])
    gain, sd = found.at(np.array([40.0, 120.0, 170.0]))
    assert (gain[0], gain[2]) == (found.gain[0], found.gain[2])
    assert min(found.gain[1:]) <= gain[1] <= max(found.gain[1:])
    assert (sd > 0).all()


def test_a_mode_never_sailed_has_the_usual_best_tenth(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    fit = quiet[0]
    assert best_tenth(fit).gain[1] == pytest.approx(np.log(best_tenth_factor(fit.parameters)))
    assert best_tenth(replace(fit, basis=None)).gain == pytest.approx(np.log(best_tenth_factor(fit.parameters)))


def test_surface_of_the_best_tenth(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    fit = quiet[0]
    table = best_tenth_surfaces(fit)
    assert dict(table.schema) == BEST_TENTH_SCHEMA
    assert table.height == fit.supported.sum()
    assert ((table["low"] < table["bsp_best_tenth_kn"]) & (table["bsp_best_tenth_kn"] < table["high"])).all()
    expected = fit.surfaces.filter("supported").join(table, on=["sail_set", "tws_kn", "twa_deg"])
    lead = (expected["bsp_best_tenth_kn"] / expected["bsp_kn"]).log()
    gain, _ = best_tenth(fit).at(expected["twa_deg"].to_numpy())
    assert lead.to_numpy() == pytest.approx(gain)


def test_targets_carry_the_best_tenth_of_their_mode(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    fit, true = quiet
    rows = targets(fit).filter(pl.col("sail_set") == "J1")
    for mode, gain in zip(("close-hauled", "running"), true, strict=True):
        mine = rows.filter(pl.col("mode") == mode)
        assert mine.height >= 3
        assert (mine["bsp_best_tenth_kn"] / mine["bsp_kn"]).log().to_numpy() == pytest.approx(gain, abs=0.005)
        # Never blended: the velocity made good is that of the expected speed.
        towards = mine["bsp_kn"] * mine["twa_deg"].radians().cos().abs()
        assert towards.to_numpy() == pytest.approx(mine["vmg_kn"].to_numpy())


def test_no_windows_no_targets() -> None:
    empty = fit_season(season(1, 0.01)[0].head(0), BOAT)
    assert targets(empty).is_empty()
    assert dict(best_tenth_surfaces(empty).schema) == BEST_TENTH_SCHEMA


def test_angles_that_lose_little_are_those_that_calculus_gives() -> None:
    # V = sin TWA: VMG = sin(2 TWA) / 2, within 0.5 % of its best where cos(2 (TWA - 45)) >= exp(-0.005), +-2.86 deg.
    twa = np.arange(30.0, 86.0, 5.0)
    reach = np.degrees(np.arccos(np.exp(-0.005))) / 2.0
    low, high = good_angles(np.log(np.sin(np.radians(twa))), twa, 45.0)
    assert (low, high) == (pytest.approx(45.0 - reach, abs=0.15), pytest.approx(45.0 + reach, abs=0.15))
    twa = np.arange(45.0, 86.0, 5.0)
    assert good_angles(np.log(np.sin(np.radians(twa))), twa, 45.0)[0] is None


def test_dead_downwind_is_no_edge() -> None:
    twa = np.arange(120.0, 181.0, 5.0)
    low, high = good_angles(np.log(np.sin(np.radians(twa / 2.0))), twa, 180.0)
    assert high == 180.0 and low is not None and 165.0 < low < 175.0


def test_an_optimum_beaten_at_the_edge_of_support_is_none(quiet: tuple[SeasonFit, np.ndarray]) -> None:
    # A hump at 135 deg inside one stretch of support, and more made good at the inner edge of another.
    fit = quiet[0]
    speed = np.where(fit.twa_deg <= 150.0, np.sin(np.radians(fit.twa_deg)), 0.9)
    shaped = replace(fit, log_speed=np.broadcast_to(np.log(speed), fit.log_speed.shape).copy())

    def supported(*angles: float) -> np.ndarray:
        return np.broadcast_to(np.isin(fit.twa_deg, angles), fit.supported.shape).copy()

    hump = (125.0, 130.0, 135.0, 140.0, 145.0, 150.0)
    assert targets(replace(shaped, supported=supported(*hump))).height > 0
    assert targets(replace(shaped, supported=supported(*hump, 160.0))).is_empty()

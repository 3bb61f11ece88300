"""Velocity made good and targets, against exact answers of curves whose optimum calculus gives."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Instruments
from pipeline.crossovers.best_tenth import TENTH, best_tenth_factor
from pipeline.crossovers.made_good import best_made_good
from pipeline.crossovers.targets import targets
from pipeline.surfaces.season import SeasonFit, fit_season

TWA = np.arange(30.0, 181.0, 5.0)
SUPPORTED = np.ones((1, 1, TWA.size), dtype=bool)


def curve(values: np.ndarray) -> np.ndarray:
    return values[None, None, None, :]


def test_half_angle_curve_is_best_where_calculus_says() -> None:
    # V = a sin(TWA / 2): upwind at 2 asin(1 / sqrt 6) = 48.189685 deg, VMG 0.272166 a; downwind at 180 deg, VMG a.
    speed = curve(10.0 * np.sin(np.radians(TWA / 2.0)))
    velocity, angle, exists = best_made_good(speed, TWA, SUPPORTED, "close-hauled")
    assert exists.all()
    # The parabola through three points 5 deg apart is good to a fiftieth of a degree here.
    assert angle[0, 0] == pytest.approx(48.189685, abs=0.03)
    assert velocity[0, 0, 0] == pytest.approx(2.72166, abs=0.0005)
    velocity, angle, exists = best_made_good(speed, TWA, SUPPORTED, "running")
    assert exists.all() and angle[0, 0] == 180.0 and velocity[0, 0, 0] == pytest.approx(10.0, abs=1e-9)


def test_full_angle_curve_is_best_at_45_and_135_deg() -> None:
    # V = a sin TWA: VMG = a / 2 sin 2 TWA.
    speed = curve(10.0 * np.sin(np.radians(TWA)))
    for mode, best in (("close-hauled", 45.0), ("running", 135.0)):
        velocity, angle, exists = best_made_good(speed, TWA, SUPPORTED, mode)
        assert exists.all()
        assert (angle[0, 0], velocity[0, 0, 0]) == (pytest.approx(best, abs=1e-6), pytest.approx(5.0, abs=1e-9))


def test_optimum_at_the_edge_of_support_is_none() -> None:
    speed = curve(10.0 * np.sin(np.radians(TWA / 2.0)))
    supported = SUPPORTED & (TWA >= 50.0)
    assert not best_made_good(speed, TWA, supported, "close-hauled")[2].any()
    assert not best_made_good(speed, TWA, SUPPORTED & (TWA <= 170.0), "running")[2].any()
    for first in (175.0, 180.0):
        assert not best_made_good(speed, TWA, SUPPORTED & (first <= TWA), "running")[2].any()


@pytest.fixture(scope="module")
def fit() -> SeasonFit:
    rng = np.random.default_rng(4)
    n = 240
    start = datetime(2027, 6, 1, 10)
    tws, twa = rng.uniform(9, 15, n), rng.uniform(32, 62, n)
    times = [start + timedelta(days=k // 60, minutes=k % 60) for k in range(n)]
    windows = pl.DataFrame(
        {
            "start": times,
            "end": [t + timedelta(seconds=45) for t in times],
            "sail_set": ["J1"] * n,
            "tws_kn": tws,
            "twa_deg": twa * rng.choice([-1, 1], n),
            "bsp_kn": 10.0 * np.sin(np.radians(twa / 2.0)) * np.exp(rng.normal(0, 0.003, n)),
        },
        schema_overrides={"start": pl.Datetime("us"), "end": pl.Datetime("us")},
    )
    return fit_season(windows, Boat("b", 10.0, Instruments(wind_sensor_height_m=10.0)))


def test_targets_of_a_known_curve(fit: SeasonFit) -> None:
    table = targets(fit).filter((pl.col("sail_set") == "J1") & pl.col("tws_kn").is_between(10, 14))
    assert table.height == 5 and table["mode"].unique().to_list() == ["close-hauled"]
    # An optimum is flat: an error of a third of a per cent in speed moves the angle by a degree and more.
    assert (table["twa_deg"] - 48.19).abs().max() < 2.5
    assert (table["vmg_kn"] / 2.72166 - 1.0).abs().max() < 0.01
    assert (table["bsp_best_tenth_kn"] > table["bsp_kn"]).all()


def test_boat_takes_the_best_set(fit: SeasonFit) -> None:
    slower = replace(
        fit,
        sets=("J1", "J2"),
        log_speed=np.concatenate([fit.log_speed, fit.log_speed - 0.05]),
        supported=np.concatenate([fit.supported, fit.supported]),
    )
    table = targets(slower)
    best, whole = (table.filter(pl.col("sail_set") == s).drop("sail_set") for s in ("J1", "boat"))
    assert best.height > 0 and best.equals(whole)


def test_best_tenth_leaves_measurement_noise_out() -> None:
    quiet = {"day_sd": 0.03, "day_mode_sd": 0.04, "drift_sd": 0.0, "day_set_sd": 0.0, "stretch_sd": 0.0}
    assert best_tenth_factor(quiet) == pytest.approx(np.exp(TENTH * 0.05))
    assert best_tenth_factor(quiet | {"white_upwind_sd": 0.5, "wander_sd": 0.5}) == best_tenth_factor(quiet)

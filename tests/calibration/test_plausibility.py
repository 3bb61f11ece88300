"""Signs of a wrong calibration on days whose wind, current and errors are known exactly."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.angles import wrap_180, wrap_360
from pipeline.calibration.plausibility import ORDINARY, SCHEMA, Signs, plausibility, season_of
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.wind.triangle import apparent_from_true

START = datetime(2027, 6, 1, 10, 0, 0)
TWD_DEG, TWS_KN, BSP_KN = 200.0, 12.0, 7.0
# A lap of five-minute legs: two tacks, down the wind with a gybe, and again.
LAP_TWA_DEG = (40.0, -40.0, 40.0, 150.0, -150.0, 150.0)
LEG_S, TURN_S = 300, 10


def boat_of(**corrections: float) -> Boat:
    calibration = Calibration(boat=Corrections(leeway_coefficient=0.0, **corrections))
    return Boat("known", 10.0, Instruments(10.0, variation_deg=0.0), calibration=calibration)


def sailed(
    day: int = 0, *, awa_off_deg: float = 0.0, log_reads: float = 1.0, compass_off_deg: float = 0.0, laps: int = 3
) -> pl.DataFrame:
    """One session at 1 Hz in a steady wind and a current of 1 kn to the east, with sensors that read wrong."""
    twa = np.repeat(np.tile(LAP_TWA_DEG, laps), LEG_S)
    for edge in range(LEG_S, len(twa), LEG_S):  # turns take their time, through the wind or away from it
        a, b = twa[edge - 1], twa[edge]
        far = abs(a) > 90 and abs(b) > 90
        way = np.linspace(0, 1, TURN_S)
        turn = wrap_180(a + way * wrap_180(b - a)) if far else a + way * (b - a)
        twa[edge : edge + TURN_S] = turn
    n = len(twa)
    awa, aws = apparent_from_true(twa, TWS_KN, BSP_KN)
    course = np.radians(TWD_DEG - twa)
    north, east = BSP_KN * np.cos(course), BSP_KN * np.sin(course) + 1.0
    start = START + timedelta(days=day)
    metres = np.cumsum(np.column_stack((north, east)), axis=0) * 1852.0 / 3600.0
    return pl.DataFrame(
        {
            "time": pl.datetime_range(start, start + timedelta(seconds=n - 1), "1s", time_unit="us", eager=True),
            "hdg_true": wrap_360(TWD_DEG - twa + compass_off_deg),
            "bsp": np.full(n, BSP_KN * log_reads),
            "awa": wrap_180(awa + awa_off_deg),
            "aws": aws,
            "sog": np.hypot(north, east),
            "cog": wrap_360(np.degrees(np.arctan2(east, north))),
            "lat": metres[:, 0] / 110574.0,
            "lon": metres[:, 1] / 111319.5,
            "tws": np.full(n, TWS_KN + 0.5),
            "twd": np.full(n, wrap_360(TWD_DEG + 3.0)),
        }
    )


def signs_of(samples: pl.DataFrame, boat: Boat | None = None) -> Signs:
    boat = boat or boat_of()
    wind = add_true_wind(samples, boat, pl.Series(["J1"] * samples.height)).samples
    return plausibility(wind, find_sessions(samples["time"]), boat)


def test_a_right_calibration_shows_nothing() -> None:
    (day,) = signs_of(sailed()).days.iter_rows(named=True)
    assert day["tacks"] == 6
    assert day["gybes"] == 6
    assert day["up_down_pairs"] == 5
    for column in ORDINARY:
        assert day[column] == pytest.approx(0.0, abs=0.2), column
    assert day["score"] < 0.1
    assert day["instrument_twd_deg"] == pytest.approx(3.0, abs=0.01)
    assert day["instrument_tws_kn"] == pytest.approx(0.5, abs=0.01)


def test_an_offset_of_the_vane_turns_the_wind_at_each_tack() -> None:
    signs = signs_of(sailed(awa_off_deg=2.0))
    (day,) = signs.days.iter_rows(named=True)
    # by the triangle: 2 deg of AWA at TWA 40 are more than 2 deg of TWA, and starboard and port add up
    expected = []
    for twa in (40.0, -40.0):
        awa, aws = apparent_from_true(twa, TWS_KN, BSP_KN)
        ahead = aws * np.cos(np.radians(awa + 2.0)) - BSP_KN
        expected.append(float(np.degrees(np.arctan2(aws * np.sin(np.radians(awa + 2.0)), ahead)) - twa))
    starboard_less_port = expected[0] - expected[1]
    assert day["twd_step_tacks_deg"] == pytest.approx(starboard_less_port, abs=0.3)
    mended = signs_of(sailed(awa_off_deg=2.0), boat_of(awa_offset_deg=-2.0))
    assert abs(season_of(mended)["tack"][0]) < 0.2
    assert season_of(signs)["tack"] == (pytest.approx(starboard_less_port, abs=0.3), 6)


def test_log_and_compass_are_told_from_the_current() -> None:
    (day,) = signs_of(sailed(log_reads=0.96, compass_off_deg=2.5)).days.iter_rows(named=True)
    assert day["speed_error_pct"] == pytest.approx(100 / 0.96 - 100, abs=0.2)
    assert day["heading_error_deg"] == pytest.approx(-2.5, abs=0.1)
    assert day["track_over_sog_pct"] == pytest.approx(0.0, abs=0.2)


def test_wind_speed_upwind_and_down() -> None:
    # cups that read 10 % too little: upwind the true wind is short by more than 10 %, downwind by less
    low = sailed().with_columns(pl.col("aws") * 0.9)
    (day,) = signs_of(low).days.iter_rows(named=True)
    assert day["tws_down_over_up_pct"] > 3.0
    (mended,) = signs_of(low, boat_of(aws_factor=1 / 0.9)).days.iter_rows(named=True)
    assert mended["tws_down_over_up_pct"] == pytest.approx(0.0, abs=0.2)


def test_the_worst_day_comes_first_with_its_reason() -> None:
    days = signs_of(pl.concat([sailed(0), sailed(1, log_reads=0.9), sailed(2, log_reads=0.97)])).days
    assert days["day"].to_list() == [(START + timedelta(days=d)).date() for d in (1, 2, 0)]
    assert days["score"].is_sorted(descending=True)
    assert days["worst"][0] == "speed_error_pct"
    assert days["worst"][1] == "speed_error_pct"


def test_positions_that_disagree_with_the_logged_speed() -> None:
    samples = sailed().with_columns(pl.col("sog") * 1.1)
    (day,) = signs_of(samples).days.iter_rows(named=True)
    assert day["track_over_sog_pct"] == pytest.approx(100 / 1.1 - 100, abs=0.3)


def test_what_is_not_logged_cannot_be_judged() -> None:
    bare = sailed().drop("sog", "cog", "lat", "lon", "tws", "twd", "hdg_true")
    (day,) = signs_of(bare).days.iter_rows(named=True)
    for column in ("twd_step_tacks_deg", "speed_error_pct", "heading_error_deg", "track_over_sog_pct"):
        assert day[column] is None, column
    assert day["instrument_twd_deg"] is None
    assert day["tws_down_over_up_pct"] == pytest.approx(0.0, abs=0.2)
    nothing = signs_of(sailed().head(0))
    assert nothing.days.height == 0
    assert dict(nothing.days.schema) == SCHEMA

"""What displays show is the measurement backwards: what they show, taken as a log, gives the true wind again."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Calibration, Corrections, Displays, Instruments
from pipeline.decisions.displays import Sailing, apparent_at_sensor, shown_on_displays
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.wind.leeway import leeway_size_deg

OFF = Corrections(1.03, 0.0, 1.7, 1.04, 2.4, 9.0)
BOAT = Boat("b", 12.0, Instruments(wind_sensor_height_m=19.0), calibration=Calibration(OFF))
TWS, TWA = np.array([6.0, 11.0, 17.0, 21.0]), np.array([42.0, 75.0, 118.0, 160.0])
BSP, HEEL = np.array([5.1, 8.0, 9.6, 10.3]), np.array([12.0, 21.0, 9.0, 3.0])


def sailing(c=OFF, bsp=BSP, heel=HEEL, pitch=1.5):
    leeway = leeway_size_deg(heel, bsp, TWA, c.leeway_coefficient)
    n = len(bsp)
    factors = (c.boat_speed_factor, c.awa_offset_deg, c.aws_factor, c.upwash_deg)
    return Sailing(bsp, heel, np.full(n, pitch), leeway, *(np.full(n, f) for f in factors))


@pytest.mark.parametrize("tack", [1.0, -1.0])
def test_raw_displays_taken_as_a_log_give_the_true_wind_again(tack):
    s = sailing()
    shown = shown_on_displays(BOAT, TWS, TWA, s)
    log = pl.DataFrame(
        {
            "time": pl.Series([datetime(2027, 6, 1, 12, 0, k) for k in range(4)], dtype=pl.Datetime("us")),
            "awa": tack * (shown.awa_starboard_deg if tack > 0 else shown.awa_port_deg),
            "aws": shown.aws_kn,
            "bsp": BSP / OFF.boat_speed_factor,
            "heel": -tack * HEEL,
            "pitch": np.full(4, 1.5),
        }
    )
    back = add_true_wind(log, BOAT, pl.Series(["any"] * 4)).samples
    assert back["tws_kn"].to_numpy() == pytest.approx(TWS, abs=1e-6)
    assert tack * back["twa_deg"].to_numpy() == pytest.approx(TWA, abs=1e-5)


def test_an_offset_of_the_vane_parts_the_tacks_by_twice_its_size():
    shown = shown_on_displays(BOAT, TWS, TWA, sailing())
    assert shown.awa_port_deg - shown.awa_starboard_deg == pytest.approx(np.full(4, 2 * OFF.awa_offset_deg), abs=1e-9)


def test_corrected_displays_show_the_wind_true_to_the_water():
    boat = replace(BOAT, displays=Displays(corrected=True))
    s = sailing()
    awa, aws = apparent_at_sensor(boat, TWS, TWA, s)
    shown = shown_on_displays(boat, TWS, TWA, s)
    assert shown.aws_kn == pytest.approx(aws)
    assert shown.awa_deg == pytest.approx(awa)


def test_a_corrected_display_at_the_reference_height_shows_our_true_wind():
    boat = replace(BOAT, displays=Displays(wind_height_m=10.0, corrected=True, twa_from="course"))
    shown = shown_on_displays(boat, TWS, TWA, sailing())
    assert shown.tws_kn == pytest.approx(TWS)
    assert shown.twa_deg == pytest.approx(TWA)


def test_a_display_that_reduces_the_wind_shows_less_apparent_wind():
    s = sailing()
    at_sensor = shown_on_displays(replace(BOAT, displays=Displays(corrected=True)), TWS, TWA, s)
    reduced = shown_on_displays(replace(BOAT, displays=Displays(wind_height_m=10.0, corrected=True)), TWS, TWA, s)
    assert (reduced.aws_kn[:3] < at_sensor.aws_kn[:3]).all()


def test_true_wind_from_the_heading_is_closer_than_from_the_course_by_the_leeway():
    s = sailing()
    by = {
        basis: shown_on_displays(replace(BOAT, displays=Displays(corrected=True, twa_from=basis)), TWS, TWA, s)
        for basis in ("course", "heading")
    }
    assert (by["heading"].twa_deg[:3] < by["course"].twa_deg[:3]).all()


def test_at_wind_speed_the_apparent_angle_is_half_the_true_one():
    """Geometry: an isosceles triangle; method.md has it at one height and from the course."""
    boat = replace(BOAT, instruments=Instruments(wind_sensor_height_m=10.0))
    s = replace(sailing(heel=np.zeros(4)), bsp_kn=TWS)
    awa, _ = apparent_at_sensor(boat, TWS, TWA, s)
    assert awa == pytest.approx(TWA / 2)

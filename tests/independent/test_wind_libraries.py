"""Wind physics against general-purpose libraries, and a recorded log against its own instruments."""

import gzip
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pynmea2
import pytest
import windpowerlib
from metpy.calc import wind_components, wind_direction, wind_speed
from metpy.units import units

from pipeline.angles import difference
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.wind.height import at_height
from pipeline.wind.triangle import apparent_from_true, true_from_apparent

RECORDED = Path(__file__).parents[1] / "data" / "recorded"


def test_triangle_equals_metpy_vectors() -> None:
    rng = np.random.default_rng(11)
    twa, tws = rng.uniform(-180, 180, 400), rng.uniform(2, 40, 400)
    bsp, hdg = rng.uniform(0.5, 25, 400), rng.uniform(0, 360, 400)
    u, v = wind_components(tws * units.knots, ((hdg + twa) % 360) * units.deg)
    east, north = bsp * np.sin(np.radians(hdg)), bsp * np.cos(np.radians(hdg))
    u, v = u - east * units.knots, v - north * units.knots
    awa, aws = apparent_from_true(twa, tws, bsp)
    np.testing.assert_allclose(aws, wind_speed(u, v).to("knots").magnitude, atol=1e-9)
    np.testing.assert_allclose(difference(awa, wind_direction(u, v).to("deg").magnitude - hdg), 0.0, atol=1e-9)
    back = true_from_apparent(awa, aws, bsp)
    np.testing.assert_allclose(difference(back[0], twa), 0.0, atol=1e-9)
    np.testing.assert_allclose(back[1], tws, atol=1e-9)


@pytest.mark.parametrize(
    ("twa", "tws", "bsp", "awa", "aws"),
    [
        (42.0, 12.0, 6.5, 27.510527682, 17.383342394),
        (135.0, 15.0, 8.0, 103.806981657, 10.922196323),
        (-130.0, 16.0, 7.0, -105.001857621, 12.689191284),
    ],
)
def test_values_computed_with_metpy(twa: float, tws: float, bsp: float, awa: float, aws: float) -> None:
    ours = apparent_from_true(twa, tws, bsp)
    assert (float(ours[0]), float(ours[1])) == (pytest.approx(awa, abs=1e-8), pytest.approx(aws, abs=1e-8))


def test_height_laws_equal_windpowerlib() -> None:
    speed = np.array([4.0, 9.0, 21.0])
    log = windpowerlib.wind_speed.logarithmic_profile(speed, 22.0, 10.0, 0.0002)
    power = windpowerlib.wind_speed.hellman(speed, 22.0, 10.0, hellman_exponent=0.11)
    np.testing.assert_allclose(at_height(speed, 22.0, 10.0), log, rtol=1e-12)
    np.testing.assert_allclose(at_height(speed, 22.0, 10.0, "power"), power, rtol=1e-12)


def _recorded_yacht() -> pl.DataFrame:
    """Once a second: wind, boat speed, heading and the instruments' own true wind, by an independent parser."""
    rows: list[dict[str, float]] = []
    row: dict[str, float] = {}
    text = gzip.decompress((RECORDED / "yacht-instruments-2018.nmea.gz").read_bytes()).decode("ascii")
    for line in text.splitlines():
        kind = line[3:6]
        if kind not in ("MWV", "VHW", "HDG"):
            continue
        m = pynmea2.parse(line)
        if kind == "MWV":
            angle = (float(m.wind_angle) + 180.0) % 360.0 - 180.0
            names = ("awa", "aws") if m.reference == "R" else ("twa", "tws")
            row |= dict(zip(names, (angle, float(m.wind_speed)), strict=True))
        elif kind == "HDG":
            row |= {"hdg_mag": float(m.heading), "variation": float(m.variation)}
        else:
            if {"awa", "twa"} <= row.keys():
                rows.append(row)
            row = {"bsp": float(m.water_speed_knots)}
    start = datetime(2018, 8, 20, 9, 47, 37, tzinfo=UTC).replace(tzinfo=None)
    frame = pl.DataFrame(rows)
    times = pl.datetime_range(start, start.replace(hour=10), "1s", eager=True, time_unit="us")
    return frame.with_columns(time=times[: frame.height]).drop_nulls("bsp")


def test_recorded_true_wind_agrees_with_the_instruments() -> None:
    # no height reduction (both heights the same), no leeway; medians within 0.5 deg and 0.1 kn
    samples = _recorded_yacht()
    assert samples.height > 120
    boat = Boat(
        "recorded",
        12.0,
        Instruments(wind_sensor_height_m=15.0, reference_height_m=15.0),
        calibration=Calibration(boat=Corrections(leeway_coefficient=0.0)),
    )
    result = add_true_wind(samples, boat, pl.Series(["unlogged"] * samples.height)).samples
    turn = difference(result["twa_deg"].to_numpy(), result["twa"].to_numpy())
    assert abs(float(np.nanmedian(turn))) < 0.5
    assert abs(float((result["tws_kn"] - result["tws"]).median())) < 0.1
    # the logged variation of 1.3 E is used: TWD = magnetic heading + 1.3 + TWA
    twd = result["hdg_mag"].to_numpy() + 1.3 + result["twa_deg"].to_numpy()
    np.testing.assert_allclose(difference(result["twd_deg"].to_numpy(), twd), 0.0, atol=1e-9)

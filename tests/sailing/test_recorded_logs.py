"""Recorded logs, decoded and merged by this project, through true wind to steady windows."""

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.angles import difference
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.ingest.merge import merge_log
from pipeline.ingest.nmea0183 import decode_nmea
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.sailing.steady_windows import SteadyWindows, steady_windows

RECORDED = Path(__file__).parents[1] / "data" / "recorded"
# no height reduction (both heights the same) and no leeway, as the instruments' own wind has none
BOAT = Boat(
    "recorded", 12.0, Instruments(15.0, 15.0, None), calibration=Calibration(boat=Corrections(leeway_coefficient=0.0))
)


def with_wind(name: str) -> pl.DataFrame:
    data = gzip.decompress((RECORDED / f"{name}.nmea.gz").read_bytes())
    samples = merge_log(decode_nmea(data, transducers={}, season=None), talkers={}).samples
    return add_true_wind(samples, BOAT, pl.Series(["unlogged"] * samples.height, dtype=pl.String)).samples


def windows_of(samples: pl.DataFrame) -> SteadyWindows:
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(None, BOAT, sessions)
    return steady_windows(samples, segments, sessions, BOAT, exclude=None, settings_log=None)


def test_true_wind_agrees_with_the_instruments_own() -> None:
    # the log carries MWV relative and true: medians within 0.5 deg and 0.1 kn
    samples = with_wind("yacht-instruments-2018")
    turn = difference(samples["twa_deg"].to_numpy(), samples["twa"].to_numpy())
    assert abs(float(np.nanmedian(turn))) < 0.5
    assert abs(float((samples["tws_kn"] - samples["tws"]).median())) < 0.1


def test_true_wind_direction_agrees_with_the_instruments_own() -> None:
    samples = with_wind("yacht-instruments-2018")
    turn = difference(samples["twd_deg"].to_numpy(), samples["twd"].to_numpy())
    assert abs(float(np.nanmedian(turn))) < 1.5  # a damped display beside a heading at 10 Hz


@pytest.mark.parametrize("name", ["ocean-start-2008", "coastal-2014"])
def test_recorded_sailing_yields_steady_windows(name: str) -> None:
    samples = with_wind(name)
    result = windows_of(samples)
    assert result.windows.height >= 20
    assert set(result.windows["sail_set"]) == {"unlogged"}
    assert result.flags.filter(pl.col("stage") == "windows")["count"].sum() == samples.height


def test_variation_of_the_ocean_log_is_read_off_its_courses() -> None:
    # its VTG carries both courses, 15 deg E apart, and its heading is magnetic only
    samples = with_wind("ocean-start-2008").drop_nulls("hdg_deg")
    turn = difference(samples["hdg_deg"].to_numpy(), samples["hdg_mag"].to_numpy())
    assert samples.height > 2000
    assert np.abs(turn - 15.0).max() < 1.5

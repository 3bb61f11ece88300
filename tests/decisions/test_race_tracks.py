"""Thinned tracks of races: places and winds known exactly."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.race_tracks import MOST_POINTS, SCHEMA, race_tracks

START = datetime(2027, 6, 12, 10)


def samples(seconds: int, **columns: np.ndarray) -> pl.DataFrame:
    return pl.DataFrame({"time": [START + timedelta(seconds=k) for k in range(seconds)], **columns}).with_columns(
        pl.col("time").cast(pl.Datetime("us"))
    )


def race(seconds: int) -> pl.DataFrame:
    return pl.DataFrame({"name": ["one"], "start": [START], "finish": [START + timedelta(seconds=seconds)]})


def test_places_are_nautical_miles_from_the_start_also_across_the_date_line() -> None:
    n = 3600
    east = np.linspace(0.0, 10.0, n)  # nm at 60 degrees of latitude: 10 nm are 20 minutes of longitude
    lon = (179.9 + 2 * east / 60 + 180) % 360 - 180
    found = race_tracks(samples(n, lat=np.full(n, 60.0), lon=lon, tws_kn=np.full(n, 12.0)), race(n))
    assert dict(found.schema) == SCHEMA and (found["basis"] == "position").all()
    assert found.height == MOST_POINTS
    assert found["east_nm"][-1] == pytest.approx(10.0 * (1 - 1 / MOST_POINTS), rel=1e-2)
    assert found["north_nm"].to_numpy() == pytest.approx(np.zeros(found.height), abs=1e-9)
    assert found["twd_deg"].is_null().all()


def test_direction_is_averaged_on_the_circle() -> None:
    n = 1200
    twd = np.where(np.arange(n) % 2, 350.0, 10.0)
    found = race_tracks(samples(n, twd_deg=twd, tws_kn=np.full(n, 9.0)), race(n))
    off = (found["twd_deg"].to_numpy() + 180) % 360 - 180
    assert off == pytest.approx(np.zeros(found.height), abs=1e-6)
    assert found["basis"].is_null().all() and found["east_nm"].is_null().all()


def test_without_positions_the_track_is_reckoned() -> None:
    n = 1800
    ctw = np.where(np.arange(n) < 900, 90.0, 0.0)
    found = race_tracks(samples(n, bsp_kn=np.full(n, 8.0), ctw_deg=ctw, lat=np.full(n, np.nan)), race(n))
    assert (found["basis"] == "reckoned").all()
    last = found.row(-1, named=True)
    assert last["east_nm"] == pytest.approx(2.0, abs=0.03) and last["north_nm"] == pytest.approx(2.0, abs=0.05)


def test_races_without_samples_are_absent_and_one_sample_is_enough() -> None:
    later = pl.DataFrame(
        {
            "name": ["before", None],
            "start": [START - timedelta(hours=2), START],
            "finish": [START - timedelta(hours=1), START + timedelta(seconds=5)],
        }
    )
    found = race_tracks(samples(1, lat=np.array([50.0]), lon=np.array([0.0])), later)
    assert found["race"].to_list() == ["race 2"] and found["east_nm"].to_list() == [0.0]
    assert race_tracks(samples(1), None).is_empty()

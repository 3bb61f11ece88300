"""What is left out about a sail change: the interval of its moment, as speed and log have it, not the stamp."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_change_moments import change_moments
from pipeline.calibration.wind_pieces import AFTER_CHANGE_S, BEFORE_CHANGE_S, Pieces, pieces_of
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments, Sail, SailSet
from pipeline.sailing.manoeuvres import manoeuvres_of
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at
from pipeline.sailing.track import track_of
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.wind.triangle import apparent_from_true

START = datetime(2027, 6, 1, 12)
CHANGES_MIN = (12, 24, 36)
LENGTH_S = 48 * 60
BOAT = Boat(
    name="Pieces (invented)",
    loa_m=10.0,
    instruments=Instruments(wind_sensor_height_m=16.0, variation_deg=0.0),
    sails={
        c: Sail(c, "mainsail" if c == "MN" else "headsail", s) for c, s in (("MN", "mast"), ("J1", "a"), ("C0", "b"))
    },
    sail_sets=(SailSet("J1", ("MN", "J1")), SailSet("C0", ("MN", "C0"))),
)


def _segments(late_s: int) -> pl.DataFrame:
    bounds = [START, *(START + timedelta(minutes=m, seconds=late_s) for m in CHANGES_MIN)]
    ends = [*bounds[1:], START + timedelta(seconds=LENGTH_S)]
    rows = [(a, b, "J1" if i % 2 == 0 else "C0") for i, (a, b) in enumerate(zip(bounds, ends, strict=True))]
    schema = {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "sail_set": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _samples() -> pl.DataFrame:
    """A steady reach; at each true change speed falls by a fifth for half a minute."""
    seconds = np.arange(LENGTH_S, dtype=float)
    dips = sum(0.2 * np.exp(-0.5 * ((seconds - 60.0 * m - 10.0) / 12.0) ** 2) for m in CHANGES_MIN)
    noise = 0.01 * np.random.default_rng(1).standard_normal(LENGTH_S)
    time = pl.Series([START + timedelta(seconds=s) for s in range(LENGTH_S)], dtype=pl.Datetime("us"))
    bsp = 8.0 * np.exp(noise - dips)
    awa, aws = apparent_from_true(np.full(LENGTH_S, 95.0), np.full(LENGTH_S, 13.0), bsp)
    return pl.DataFrame({"time": time, "bsp": bsp, "awa": awa, "aws": aws}).with_columns(
        heel=pl.lit(0.0), hdg_mag=pl.lit(20.0)
    )


def _cut(late_s: int, boat: Boat = BOAT) -> tuple[Pieces, pl.DataFrame, pl.DataFrame]:
    raw, segments = _samples(), _segments(late_s)
    samples = add_true_wind(raw, boat, set_at(raw["time"], segments)).samples
    return pieces_of(samples, segments, find_sessions(raw["time"]), boat)[0], samples, segments


TRUE_S = np.array([(START - datetime(1970, 1, 1)).total_seconds() + 60.0 * m for m in CHANGES_MIN])


def test_about_a_change_the_interval_of_its_moment_is_left_out():
    pieces, samples, segments = _cut(late_s=0)
    track = track_of(samples)
    stamps_s = segments["start"][1:].to_physical().to_numpy() / 1e6
    found = change_moments(track, manoeuvres_of(track, BOAT.loa_m), stamps_s, BOAT.loa_m)
    low, high = pieces.time_s - 0.5 * pieces.seconds, pieces.time_s + 0.5 * pieces.seconds
    for moment, first, last in zip(found.moment_s, found.first_s, found.last_s, strict=True):
        assert high[high < moment].max() == pytest.approx(first - BEFORE_CHANGE_S, abs=2.0)
        assert low[low > moment].min() == pytest.approx(last + AFTER_CHANGE_S, abs=2.0)
        assert last - first + BEFORE_CHANGE_S + AFTER_CHANGE_S < 150.0
    assert set(np.unique(pieces.sail_set).tolist()) == {0, 1}


@pytest.mark.parametrize("late_s", [0, 120])
def test_pieces_change_set_where_the_boat_did_however_late_the_log(late_s: int):
    pieces = _cut(late_s)[0]
    changes = np.searchsorted(TRUE_S, pieces.time_s) % 2
    assert [pieces.sets[i] for i in pieces.sail_set] == ["C0" if c else "J1" for c in changes]


def test_wind_of_pieces_is_that_of_the_set_they_are_given_to():
    """Where sets have a calibration of their own, seconds under a late stamp are computed with the right one."""
    by_set = {"J1": Corrections(upwash_deg=3.0), "C0": Corrections(upwash_deg=-3.0)}
    own = replace(BOAT, calibration=Calibration(BOAT.calibration.boat, (), by_set))
    pieces = _cut(late_s=120, boat=own)[0]
    for k, name in enumerate(pieces.sets):
        mine = pieces.sail_set == k
        assert mine.any()
        np.testing.assert_allclose(pieces.in_use["upwash_deg"][mine], by_set[name].upwash_deg)
        assert np.ptp(pieces.twa_deg[mine]) < 1.5
    assert abs(pieces.twa_deg[pieces.sail_set == 0].mean() - pieces.twa_deg[pieces.sail_set == 1].mean()) > 3.0

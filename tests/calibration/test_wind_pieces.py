"""What is left out about a sail change depends on how finely the sail log is kept."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_pieces import ABOUT_CHANGE_S, pieces_of
from pipeline.campaign.settings import Boat, Instruments, Sail, SailSet
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at
from pipeline.sailing.wind_of_samples import add_true_wind

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


@pytest.mark.parametrize(("late_s", "kept"), [(0, "to the minute"), (15, "finer")])
def test_about_a_change_as_much_is_left_out_as_the_log_is_coarse(late_s: int, kept: str):
    time = [START + timedelta(seconds=s) for s in range(LENGTH_S)]
    raw = pl.DataFrame({"time": pl.Series(time, dtype=pl.Datetime("us"))}).with_columns(
        awa=pl.lit(60.0), aws=pl.lit(15.0), bsp=pl.lit(8.0), heel=pl.lit(-15.0), hdg_mag=pl.lit(20.0)
    )
    segments = _segments(late_s)
    samples = add_true_wind(raw, BOAT, set_at(raw["time"], segments)).samples
    pieces, _ = pieces_of(samples, segments, find_sessions(raw["time"]), BOAT)
    at_s = segments["start"][1:].to_physical().to_numpy() / 1e6
    low, high = pieces.time_s - 0.5 * pieces.seconds, pieces.time_s + 0.5 * pieces.seconds
    for change in at_s:
        assert change - high[high < change].max() == pytest.approx(ABOUT_CHANGE_S[kept][0], abs=2.0)
        assert low[low > change].min() - change == pytest.approx(ABOUT_CHANGE_S[kept][1], abs=2.0)
    assert set(np.unique(pieces.sail_set).tolist()) == {0, 1}

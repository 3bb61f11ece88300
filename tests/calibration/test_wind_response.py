"""The pieces' chain and its derivative against the whole chain, `add_true_wind`, sample by sample."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.angles import wrap_180
from pipeline.calibration.wind_fit import CHAIN
from pipeline.calibration.wind_pieces import Pieces, pieces_of
from pipeline.calibration.wind_response import PERCENT, computed_wind, response
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat, Calibration, Corrections, Instruments, Sail, SailSet
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.wind_of_samples import add_true_wind

START = datetime(2027, 6, 1, 12)
# raw AWA, AWS, BSP, heel, heading: close-hauled and reaching on both tacks, running, heel to windward
STATES = [
    (31.0, 18.0, 7.2, -21.0, 40.0),
    (-29.0, 17.0, 7.0, 19.0, 310.0),
    (62.0, 15.0, 8.5, -16.0, 5.0),
    (-95.0, 11.0, 9.0, 8.0, 200.0),
    (128.0, 9.0, 8.0, -4.0, 150.0),
    (-140.0, 8.0, 7.0, -3.0, 95.0),
]
IN_USE = Corrections(1.02, 1.5, -0.8, 1.03, 2.5, 9.0)


def _boat(corrections: Corrections = IN_USE) -> Boat:
    return Boat(
        name="Response (invented)",
        loa_m=10.0,
        instruments=Instruments(wind_sensor_height_m=16.0, variation_deg=-3.0),
        calibration=Calibration(corrections),
        sails={"MN": Sail("MN", "mainsail", "mast"), "J1": Sail("J1", "headsail", "forestay")},
        sail_sets=(SailSet("J1", ("MN", "J1")),),
    )


def _samples() -> pl.DataFrame:
    """Four minutes of each state, twenty minutes apart so that no turn joins them."""
    frames = []
    for i, (awa, aws, bsp, heel, hdg) in enumerate(STATES):
        times = [START + timedelta(minutes=20 * i, seconds=s) for s in range(240)]
        frames.append(
            pl.DataFrame({"time": pl.Series(times, dtype=pl.Datetime("us"))}).with_columns(
                awa=pl.lit(awa), aws=pl.lit(aws), bsp=pl.lit(bsp), heel=pl.lit(heel), hdg_mag=pl.lit(hdg)
            )
        )
    return pl.concat(frames)


def _tags(samples: pl.DataFrame) -> pl.Series:
    return pl.Series("sail_set", ["J1"] * samples.height)


def _pieces() -> Pieces:
    samples, boat = _samples(), _boat()
    sessions = find_sessions(samples["time"])
    segments = sessions.select("start", "end", pl.lit("J1").alias("sail_set"))
    return pieces_of(add_true_wind(samples, boat, _tags(samples)).samples, segments, sessions, boat)[0]


def test_pieces_hold_the_states_and_their_wind():
    pieces = _pieces()
    assert len(pieces) == 8 * len(STATES)
    assert sorted(set(np.round(pieces.awa_deg, 6))) == sorted(s[0] for s in STATES)
    twd, tws = computed_wind(pieces, pieces.in_use, _boat())
    np.testing.assert_allclose(wrap_180(twd - pieces.twd_deg), 0.0, atol=1e-9)
    np.testing.assert_allclose(tws, pieces.tws_kn, rtol=1e-12)


@pytest.mark.parametrize("name", CHAIN)
def test_derivative_is_the_finite_difference_of_the_whole_chain(name: str):
    pieces, samples = _pieces(), _samples()
    j = CHAIN.index(name)
    by_direction, by_speed = response(pieces, pieces.in_use, _boat(), CHAIN)
    step = 1e-4 * max(abs(getattr(DEFAULT_CORRECTIONS, name)), 1.0)
    both = []
    for sign in (-1.0, 1.0):
        changed = _boat(replace(IN_USE, **{name: getattr(IN_USE, name) + sign * step}))
        both.append(add_true_wind(samples, changed, _tags(samples)).samples)
    at = np.searchsorted(samples["time"].to_physical().to_numpy() / 1e6, pieces.time_s)
    twd = [s["twd_deg"].to_numpy()[at] for s in both]
    log_tws = [np.log(s["tws_kn"].to_numpy()[at]) for s in both]
    np.testing.assert_allclose(by_direction[:, j], wrap_180(twd[1] - twd[0]) / (2 * step), rtol=2e-3, atol=2e-3)
    np.testing.assert_allclose(by_speed[:, j], PERCENT * (log_tws[1] - log_tws[0]) / (2 * step), rtol=2e-3, atol=2e-3)


def test_offset_moves_speed_oppositely_on_the_tacks_and_upwash_moves_direction_oppositely():
    """Plane vectors: an angle read too wide makes the computed wind stronger, too narrow weaker."""
    pieces = _pieces()
    by_direction, by_speed = response(pieces, pieces.in_use, _boat(), CHAIN)
    starboard, port = pieces.awa_deg == 31.0, pieces.awa_deg == -29.0
    offset, upwash = CHAIN.index("awa_offset_deg"), CHAIN.index("upwash_deg")
    assert (by_speed[starboard, offset] > 0.3).all() and (by_speed[port, offset] < -0.3).all()
    assert (by_direction[starboard, upwash] < -0.8).all() and (by_direction[port, upwash] > 0.8).all()
    assert by_direction[:, CHAIN.index("heading_offset_deg")] == pytest.approx(1.0, abs=1e-6)
    aft = np.abs(pieces.awa_deg) > 121.0
    np.testing.assert_array_equal(by_direction[aft, upwash], 0.0)

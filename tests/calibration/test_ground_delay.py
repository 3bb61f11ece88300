"""Delays that were put into a log are found, and the leg-cutting keeps what it should."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.ground_delay import compensated, estimate_delays
from pipeline.calibration.legs import Motion, find_bits, motion_of, turning
from pipeline.sailing.sessions import find_sessions

LOA_M = 12.0
START = datetime(2027, 6, 12, 10)


def _zigzag(speed_late_s: int = 0, heading_late_s: int = 0) -> pl.DataFrame:
    """Two hours of tacks every five minutes at 1 Hz in a steady current, the channels late by whole seconds."""
    rng = np.random.default_rng(5)
    n = 7200
    t = np.arange(n)
    side = np.where((t // 300) % 2 == 0, 1.0, -1.0)
    kernel = np.ones(12) / 12.0
    swing = np.convolve(np.pad(side, 12, mode="edge"), kernel, mode="same")[12:-12]
    hdg = 10.0 - 42.0 * swing
    slow = np.exp(-((((t + 150) % 300) - 150.0 - 12.0) ** 2) / (2 * 12.0**2))
    bsp = 7.0 - 2.0 * slow + 0.2 * np.sin(t / 90.0)
    rad = np.radians(hdg)
    north = bsp * np.cos(rad) + 0.4 + 0.03 * rng.standard_normal(n)
    east = bsp * np.sin(rad) - 0.3 + 0.03 * rng.standard_normal(n)
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=int(s)) for s in t],
            "sog": np.hypot(north, east),
            "cog": np.degrees(np.arctan2(east, north)) % 360.0,
            "bsp_kn": bsp[np.maximum(t - speed_late_s, 0)],
            "hdg_deg": (hdg[np.maximum(t - heading_late_s, 0)] + 0.3 * rng.standard_normal(n)) % 360.0,
            "twa_deg": 42.0 * swing,
            "heel_deg": np.zeros(n),
            "leeway_deg": np.zeros(n),
            "awa_deg": 27.0 * swing,
            "aws_kn": np.full(n, 17.0),
        }
    )


def _motion(samples: pl.DataFrame) -> Motion:
    return motion_of(samples, find_sessions(samples["time"]))


@pytest.mark.parametrize(("speed_s", "heading_s"), [(0, 0), (3, 0), (0, 2), (4, 1)])
def test_known_delays_are_found(speed_s: int, heading_s: int) -> None:
    speed, heading, _ = estimate_delays(_motion(_zigzag(speed_s, heading_s)), LOA_M)
    assert speed.delay_s == pytest.approx(speed_s, abs=0.3)
    assert heading.delay_s == pytest.approx(heading_s, abs=0.1)
    assert speed.turns == heading.turns == 23


def test_compensation_gives_back_the_channels() -> None:
    late, prompt = _motion(_zigzag(3, 2)), _motion(_zigzag())
    back = compensated(late, 3.0, 2.0)
    inner = slice(10, -10)
    np.testing.assert_allclose(back.bsp_kn[inner], prompt.bsp_kn[inner], atol=1e-9)
    turned = np.abs(np.mod(back.hdg_deg - prompt.hdg_deg + 180.0, 360.0) - 180.0)[inner]
    assert turned.max() < 3.0  # the noise of the heading differs, 0.3 deg a sample
    assert np.isnan(back.bsp_kn[-3:]).all()


def test_bits_lie_between_turns_and_cover_the_rest() -> None:
    motion = _motion(_zigzag())
    bits = find_bits(motion, LOA_M)
    turn = turning(motion, LOA_M)
    assert not (turn & (bits.bit >= 0)).any()
    assert (bits.bit >= 0).sum() > 0.95 * (~turn).sum()
    assert len(np.unique(bits.leg)) == 24
    assert bits.length_s.min() >= 20.0 and bits.length_s.max() <= 46.0
    assert set(bits.side) == {-1.0, 1.0}
    ends = np.diff(bits.bit[bits.bit >= 0])
    assert ends.min() >= 0 and ends.max() == 1


def test_a_gap_ends_a_leg_and_a_session_a_block() -> None:
    samples = _zigzag()
    second = (samples["time"] - START).dt.total_seconds()
    broken = samples.filter(~second.is_between(100, 115) & ~second.is_between(3000, 3700))
    bits = find_bits(_motion(broken), LOA_M)
    assert np.unique(bits.block).tolist() == [0, 1]
    first_leg = bits.leg[bits.time_s < bits.time_s[0] + 90.0]
    after_gap = bits.leg[(bits.time_s > bits.time_s[0] + 120.0) & (bits.time_s < bits.time_s[0] + 200.0)]
    assert set(first_leg).isdisjoint(after_gap)


def test_speed_over_ground_in_place_of_speed_is_not_speed() -> None:
    samples = _zigzag().with_columns(speed_source=pl.lit("ground"))
    assert np.isnan(_motion(samples).bsp_kn).all()

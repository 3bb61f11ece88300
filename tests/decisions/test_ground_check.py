"""Windows whose log parts from the speed over the ground."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.decisions.ground_check import off_the_ground

FOULED = slice(70, 76)


def session_windows(factor=1.0, count=120):
    """Two hours on eight headings in a turning current of a knot, the log 2 per cent too fast and at times fouled."""
    rng = np.random.default_rng(4)
    hours = np.linspace(0, 2, count)
    heading = np.repeat(rng.uniform(0, 360, 8), count // 8)
    speed = 6.0 + rng.normal(0, 0.4, count)
    current = np.cos(np.radians(heading) - (1.0 + 0.5 * hours))
    shown = 1.02 * speed
    shown[FOULED] *= factor
    return pl.DataFrame(
        {
            "start": [datetime(2027, 6, 1, 10) + timedelta(hours=float(h)) for h in hours],
            "session": np.zeros(count, dtype=int),
            "bsp_kn": shown,
            "hdg_deg": heading,
            "stw_sog_diff_kn": shown - speed - current + rng.normal(0, 0.04, count),
        }
    ).with_columns(pl.col("start").cast(pl.Datetime("us")))


def test_weed_on_the_wheel_is_seen_and_nothing_else():
    expected = np.zeros(120, dtype=bool)
    expected[FOULED] = True
    np.testing.assert_array_equal(off_the_ground(session_windows(0.85)), expected)
    assert not off_the_ground(session_windows()).any()


def test_without_speed_over_the_ground_or_in_a_short_session_nothing_is_said():
    fouled = session_windows(0.85)
    assert not off_the_ground(fouled.drop("stw_sog_diff_kn")).any()
    assert not off_the_ground(fouled.with_columns(stw_sog_diff_kn=pl.lit(None, pl.Float64))).any()
    assert not off_the_ground(fouled[66:80]).any()

"""The moment of a sail change from a late and rounded log: found by the speed lost, doubted where nothing was lost."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.signal import lfilter

from pipeline.calibration.wind_change_moments import MOMENTS_S, change_moments
from pipeline.sailing.track import Track

LENGTH_S, EVERY_S, LOA_M = 6 * 3600, 600, 10.0
NO_TURNS = pl.DataFrame(schema={"start": pl.Datetime("us"), "turn_end": pl.Datetime("us")})
GRID_S = MOMENTS_S[1] - MOMENTS_S[0]


def _wander(rng: np.random.Generator, scale_s: float) -> np.ndarray:
    keep = np.exp(-1.0 / scale_s)
    return lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], rng.standard_normal(LENGTH_S))


def _track(true_s: np.ndarray, depth: float, seed: int) -> Track:
    """Six hours on a reach in gusts; at each change speed falls by `depth` for half a minute; sets differ by 2 %."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(LENGTH_S, dtype=float)
    tws = 12.0 * np.exp(0.08 * _wander(rng, 60.0) + 0.08 * _wander(rng, 900.0))
    dips = sum(depth * np.exp(-0.5 * ((time_s - t) / 13.0) ** 2) for t in true_s)
    second = np.searchsorted(true_s, time_s) % 2
    target = np.log(7.0) + 0.4 * np.log(tws / 12.0) + 0.02 * second - dips
    log_speed = lfilter([1.0 / 9.0], [1.0, -8.0 / 9.0], target - target[0]) + target[0] + 0.01 * _wander(rng, 30.0)
    empty = np.full(LENGTH_S, np.nan)
    return Track(
        time_s=time_s,
        step_s=1.0,
        stretch=np.zeros(LENGTH_S, dtype=np.int64),
        samples=np.ones(LENGTH_S, dtype=np.int64),
        bsp_kn=np.exp(log_speed),
        tws_kn=tws,
        twa_deg=100.0 + 3.0 * _wander(rng, 40.0),
        twd_deg=empty,
        aws_kn=empty,
        awa_deg=empty,
        hdg_deg=empty,
        ctw_deg=empty,
        heel_deg=empty,
        rudder_deg=empty,
        sog_kn=empty,
        cog_deg=empty,
        ground=np.zeros(LENGTH_S, dtype=bool),
    )


def _season(seed: int, depth: float = 0.15, late_s: float = 60.0, rounding_s: float = 60.0):
    rng = np.random.default_rng([seed, 1])
    true_s = np.arange(EVERY_S, LENGTH_S - EVERY_S, EVERY_S) + rng.uniform(-60.0, 60.0, LENGTH_S // EVERY_S - 2)
    stamps_s = np.round((true_s + rng.exponential(late_s, len(true_s))) / rounding_s) * rounding_s
    return true_s, stamps_s, change_moments(_track(true_s, depth, seed), NO_TURNS, stamps_s, LOA_M)


def test_a_log_to_the_minute_and_late_is_mended_by_the_speed_lost():
    true_s, stamps_s, found = _season(1)
    was, now = np.abs(stamps_s - true_s), np.abs(found.moment_s - true_s)
    assert np.median(was) > 30.0
    assert np.median(now) < 0.4 * np.median(was)
    assert np.mean(now) < 0.5 * np.mean(was)


def test_intervals_hold_the_moment_and_are_shorter_than_the_logs_own_doubt():
    held, width = [], []
    for seed in (2, 3, 4):
        true_s, _, found = _season(seed)
        held += list((found.first_s - GRID_S <= true_s) & (true_s <= found.last_s + GRID_S))
        width += list(found.last_s - found.first_s)
    assert len(held) > 80
    assert np.mean(held) >= 0.85
    assert np.median(width) < 100.0


def test_without_a_dip_the_doubt_is_the_logs_own():
    true_s, stamps_s, found = _season(5, depth=0.0, late_s=0.0)
    with_dips = _season(5, late_s=0.0)[2]
    assert np.mean(found.last_s - found.first_s) > np.mean(with_dips.last_s - with_dips.first_s)
    assert np.mean((found.first_s - GRID_S <= true_s) & (true_s <= found.last_s + GRID_S)) > 0.85
    assert np.median(np.abs(found.moment_s - stamps_s)) <= 30.0


def test_a_log_kept_to_the_second_is_believed():
    true_s, _, found = _season(6, late_s=0.0, rounding_s=1.0)
    assert np.median(np.abs(found.moment_s - true_s)) <= GRID_S
    assert np.median(found.last_s - found.first_s) <= 5.0 * GRID_S


def test_a_moment_stays_between_the_stamps_beside_it():
    true_s = np.array([3000.0, 3100.0, 3220.0, 9000.0])
    stamps_s = true_s + 40.0
    found = change_moments(_track(true_s, 0.15, 7), NO_TURNS, stamps_s, LOA_M)
    assert (found.first_s[1:] > stamps_s[:-1]).all()
    assert (found.last_s[:-1] < stamps_s[1:]).all()
    assert (found.first_s <= found.moment_s).all() and (found.moment_s <= found.last_s).all()


@pytest.mark.parametrize("stamps_s", [np.zeros(0), np.array([-5000.0, 3000.0])])
def test_no_changes_and_changes_without_samples_are_no_error(stamps_s: np.ndarray):
    found = change_moments(_track(np.array([3000.0]), 0.15, 8), NO_TURNS, stamps_s, LOA_M)
    assert len(found.moment_s) == len(stamps_s)
    assert np.isfinite(found.moment_s).all()

"""Moving means and medians by running sums and bounds, against the plain ones."""

import numpy as np
import pytest

from pipeline.angles import circular_mean, difference
from pipeline.sailing.smoothing import Smoothed, far_from_median, moving_angle, moving_mean, moving_median
from pipeline.sailing.speed_lag import lagged, lagged_in_blocks

RNG = np.random.default_rng(8)
STRETCH = np.repeat([0, 1, 2], [3, 100, 97])


def with_holes(values: np.ndarray) -> np.ndarray:
    out = values.copy()
    out[[0, 20, 21, 22, 23, 24, 25, 150]] = np.nan
    return out


def surroundings(i: int, half: int) -> np.ndarray:
    near = np.arange(max(i - half, 0), min(i + half + 1, len(STRETCH)))
    return near[STRETCH[near] == STRETCH[i]]


@pytest.mark.parametrize("holes", [False, True])
def test_a_moving_mean_keeps_to_its_stretch(holes: bool) -> None:
    values = RNG.normal(7.0, 1.0, 200)
    values = with_holes(values) if holes else values
    found = moving_mean(values, 9, STRETCH)
    for i in range(200):
        part = values[surroundings(i, 4)]
        enough = 2 * np.isfinite(part).sum() >= len(part)
        assert found[i] == pytest.approx(np.nanmean(part)) if enough else np.isnan(found[i])


def test_what_is_kept_is_what_is_asked_for() -> None:
    speed, angle = with_holes(RNG.normal(7.0, 1.0, 200)), with_holes(RNG.uniform(-180.0, 180.0, 200))
    kept = Smoothed(STRETCH)
    for count in (1, 5, 9, 5):
        np.testing.assert_array_equal(kept.mean("speed", speed, count), moving_mean(speed, count, STRETCH))
        np.testing.assert_array_equal(kept.angle("angle", angle, count), moving_angle(angle, count, STRETCH))


def test_a_moving_angle_is_the_mean_direction() -> None:
    angle = (175.0 + RNG.normal(0.0, 8.0, 200) + 180.0) % 360.0 - 180.0
    found = moving_angle(angle, 5, STRETCH)
    expected = [circular_mean(angle[surroundings(i, 2)]) for i in range(200)]
    np.testing.assert_allclose(difference(found, expected), 0.0, atol=1e-9)


@pytest.mark.parametrize("count", [1, 4, 15, 41])
def test_far_from_the_median_is_judged_as_with_every_median(count: int) -> None:
    values = with_holes(np.round(np.cumsum(RNG.normal(0.0, 0.6, 200)), 1) + 8.0 * (RNG.random(200) < 0.05))
    middle = moving_median(values, count)
    expected = np.abs(values - middle) > np.maximum(2.0, 0.4 * np.abs(middle))
    np.testing.assert_array_equal(far_from_median(values, count, 2.0, 0.4), expected)
    assert expected.any() == (count > 1)


def test_a_moving_median_bridges_holes_from_before() -> None:
    values = np.array([np.nan, 4.0, np.nan, 9.0, 1.0, 2.0])
    np.testing.assert_array_equal(moving_median(values, 3), [4.0, 4.0, 4.0, 4.0, 2.0, 2.0])


@pytest.mark.parametrize("holes", [False, True])
def test_a_lag_in_blocks_is_that_of_each_block_alone(holes: bool) -> None:
    values = RNG.normal(10.0, 2.0, (2, 200))
    values[1] = with_holes(values[1]) if holes else values[1]
    blocks = [(0, 7), (7, 90), (120, 121), (130, 200)]
    expected = np.full(values.shape, np.nan)
    for a, b in blocks:
        expected[:, a:b] = lagged(values[:, a:b], 1.0, 12.0)
    np.testing.assert_array_equal(lagged_in_blocks(values, blocks, 1.0, 12.0), expected)

"""A season in parts: all windows once, each part a season of its own under the whole season's parameters."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces.day_blocks import covariance
from pipeline.surfaces.parameters import named
from pipeline.surfaces.season import fit_season
from pipeline.surfaces.season_parts import parts_of
from tests.known_boat import window_simulator
from tests.surfaces.test_season import BOAT

DAYS = 6


@pytest.fixture(scope="module")
def basis():
    conditions = window_simulator.Conditions(days=DAYS, hours=1.5)
    return fit_season(window_simulator.season("light8", 3, conditions).windows, BOAT).basis


@pytest.mark.parametrize("share", [0.2, 0.4, 0.7])
def test_parts_hold_all_windows_once_and_no_more_than_allowed(basis, share: float) -> None:
    most = int(share * basis.seen.count)
    parts = list(parts_of(basis, most))
    assert [first for first, _ in parts] == np.cumsum([0, *[p.seen.count for _, p in parts[:-1]]]).tolist()
    assert np.concatenate([p.problem.y for _, p in parts]) == pytest.approx(basis.problem.y)
    assert sum((p.seen.starts for _, p in parts), ()) == basis.seen.starts
    largest_day = max(len(d.block.rows) for d in basis.problem.days)
    assert all(p.seen.count <= max(most, largest_day) for _, p in parts)
    assert len(parts) >= 1.0 / share


def test_a_part_has_its_days_noise_and_wind(basis) -> None:
    (_, one), (first, other), *_ = parts_of(basis, int(0.4 * basis.seen.count))
    assert one.posterior.mean is basis.posterior.mean
    day, whole = other.problem.days[0], basis.problem.days[len(one.problem.days)]
    assert day.block.rows[0] == 0 and whole.block.rows[0] == first
    theta = named(basis.posterior.theta)
    here = covariance(day.block, theta, other.weights.of(day.block.rows))[0]
    assert here == pytest.approx(covariance(whole.block, theta, basis.weights.of(whole.block.rows))[0])
    assert other.latent.wind.smooth == pytest.approx(basis.latent.wind.smooth[first : first + other.seen.count])
    assert other.seen.block[0] == 0


def test_a_short_season_is_one_part(basis) -> None:
    assert list(parts_of(basis, basis.seen.count)) == [(0, basis)]

"""Draws that carry the doubt in each set's upwash and AWS factor."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces.calibration_doubt import CalibrationDoubt, log_speed_shifts
from pipeline.wind.apparent import without_upwash
from pipeline.wind.triangle import apparent_from_true, true_from_apparent

TWS_KN, TWA_DEG = np.arange(6.0, 21.0), np.arange(40.0, 151.0, 5.0)
UPWASH_SD_DEG, FACTOR_SD = 0.8, 0.02


def law(tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
    """An invented boat's log speed."""
    return np.log(2.0 * np.sqrt(tws_kn)) + 0.2 * np.sin(np.radians(twa_deg))


GRID = np.meshgrid(TWS_KN, TWA_DEG, indexing="ij")
LOG_SPEED = np.stack([law(*GRID), law(*GRID)])


def shifts(covariance: np.ndarray, sets: tuple[str, ...] = ("A",), n: int = 4000) -> np.ndarray:
    doubt = CalibrationDoubt(sets, covariance)
    return log_speed_shifts(doubt, ("A", "B"), TWS_KN, TWA_DEG, LOG_SPEED, n, 5)


def test_upwash_moves_the_surface_as_windows_computed_anew_would() -> None:
    found = shifts(np.diag([UPWASH_SD_DEG**2, 0.0]))
    i, j = 6, 4
    tws, twa = TWS_KN[i], TWA_DEG[j]
    speed = np.exp(LOG_SPEED[0, i, j])
    awa, aws = apparent_from_true(twa, tws, speed)
    moved_twa, moved_tws = true_from_apparent(without_upwash(awa, UPWASH_SD_DEG), aws, speed)
    # the same speed now belongs to the moved place; what the law says there is by how much the surface was wrong
    change = LOG_SPEED[0, i, j] - law(moved_tws, moved_twa)
    assert found[:, 0, i, j].std() == pytest.approx(abs(change), rel=0.1)


def test_a_set_that_is_not_named_stays_and_unknown_places_do() -> None:
    found = shifts(np.diag([UPWASH_SD_DEG**2, FACTOR_SD**2]))
    assert found[:, 0].std() > 0 and not found[:, 1].any()
    gap = LOG_SPEED.copy()
    gap[0, 3] = np.nan
    doubt = CalibrationDoubt(("A",), np.diag([UPWASH_SD_DEG**2, 0.0]))
    with_gap = log_speed_shifts(doubt, ("A", "B"), TWS_KN, TWA_DEG, gap, 10, 5)
    assert np.isfinite(with_gap).all() and not with_gap[:, 0, 3].any()


def test_what_all_sets_share_cancels_between_equal_sets() -> None:
    shared = np.zeros((4, 4))
    shared[:2, :2] = UPWASH_SD_DEG**2
    shared[2:, 2:] = FACTOR_SD**2
    found = shifts(shared, ("A", "B"))
    assert np.abs(found[:, 0] - found[:, 1]).max() < 1e-9 < found[:, 0].std()

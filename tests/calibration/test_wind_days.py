"""What one day says of the vane by itself: its wind and its symmetry weighed against each other."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_course import USUAL_DIRECTION, USUAL_SPEED
from pipeline.calibration.wind_days import FAR_SD, ODD_BOARD_SD_DEG, USUAL_TWIST_DEG, by_day
from pipeline.calibration.wind_fit import BOAT, CHAIN, DayEvidence
from pipeline.calibration.wind_solve import Solution
from pipeline.calibration.wind_symmetry import DaySymmetry

IN_USE = np.array([0.5, 0.0, 1.0, 1.0, 0.0, 8.0])
WIND_SD = 1.0


def day_of(wind_deg: float, symmetry_deg: float | None, boards: int = 20, sd_deg: float = 0.3) -> dict[str, object]:
    """The only row of a day whose wind says `wind_deg` (sd 1) of the offset, and whose beats `symmetry_deg`."""
    p = len(BOAT)
    precision, weighed = np.zeros((1, p, p)), np.zeros((1, p))
    precision[0, 0, 0], weighed[0, 0] = WIND_SD**-2, wind_deg * WIND_SD**-2
    rows = 0 if symmetry_deg is None else 1
    symmetry = DaySymmetry(
        day=np.zeros(rows, dtype=np.int64),
        run=np.zeros(rows, dtype=bool),
        offset_deg=np.full(rows, symmetry_deg or 0.0),
        sd_deg=np.full(rows, sd_deg),
        boards=np.full(rows, boards, dtype=np.int64),
        turn=np.full(rows, 0.75),
    )
    found = DayEvidence(precision, weighed, USUAL_DIRECTION, USUAL_SPEED)
    answer = Solution(np.zeros(p), np.eye(p), 0.1, 0.3, (), 0.5)
    frame = by_day(found, symmetry, answer, IN_USE, pl.Series([date(2027, 6, 1)]), ("awa_offset_deg", "upwash_deg"))
    (row,) = frame.iter_rows(named=True)
    assert row["parameter"] == "awa_offset_deg"  # nothing is known of upwash, so no row of it
    return row


def test_wind_alone() -> None:
    row = day_of(2.0, None)
    assert row["estimate"] == pytest.approx(IN_USE[CHAIN.index("awa_offset_deg")] + 2.0)
    assert row["sd"] == pytest.approx(WIND_SD)


def test_wind_and_symmetry_by_inverse_variance() -> None:
    row = day_of(1.0, 2.0)
    variance = 0.3**2 + (USUAL_TWIST_DEG * 0.75) ** 2 + (ODD_BOARD_SD_DEG / 20) ** 2
    assert row["estimate"] == pytest.approx(0.5 + (1.0 + 2.0 / variance) / (1.0 + 1.0 / variance))
    assert row["sd"] == pytest.approx((1.0 + 1.0 / variance) ** -0.5)


def test_few_boards_weigh_little() -> None:
    assert day_of(0.0, 1.0, boards=2)["sd"] > 1.4 * day_of(0.0, 1.0, boards=20)["sd"]


def test_symmetry_that_the_wind_contradicts_weighs_little() -> None:
    assert day_of(0.0, 17.0)["estimate"] - 0.5 < 17.0 / (1.0 + (17.0 / FAR_SD) ** 2 - 1.0) + 0.01


def test_a_real_change_moves_both_and_is_not_damped() -> None:
    for step in (2.0, 10.0):
        assert day_of(step, step)["estimate"] == pytest.approx(0.5 + step)
        assert day_of(step, step)["sd"] == pytest.approx(day_of(0.0, 0.0)["sd"])

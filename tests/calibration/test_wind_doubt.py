"""The doubt that borders carry: about the values in use, whatever was proposed."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_doubt import doubt_by_set
from pipeline.calibration.wind_estimate import WindEstimate
from pipeline.campaign.settings import Calibration, Corrections

KEYS = (
    "awa_offset_deg",
    "upwash_deg",
    "aws_factor",
    ("upwash_deg", "J1"),
    ("upwash_deg", "A2"),
    ("aws_factor", "J1"),
    ("aws_factor", "A2"),
)


def _estimate(keys: tuple, proposed: list[float], covariance: np.ndarray) -> WindEstimate:
    sd = np.sqrt(np.diag(covariance))
    value = np.array(proposed)
    count = len(keys)
    return WindEstimate(
        keys, dict.fromkeys(keys, 0.0), value, sd, covariance, value - sd, value + sd, (True,) * count, ("",) * count,
        {}, (), pl.DataFrame(), pl.DataFrame(), 0.0,
    )  # fmt: skip


def _covariance() -> np.ndarray:
    root = np.random.default_rng(1).normal(size=(7, 7))
    return root @ root.T


def test_doubt_is_the_covariance_where_the_proposal_is_in_use():
    covariance = _covariance()
    found = _estimate(KEYS, [0.0, 1.0, 1.0, 1.5, -0.5, 1.01, 0.99], covariance)
    by_set = {
        "J1": Corrections(upwash_deg=1.5, aws_factor=1.01),
        "A2": Corrections(upwash_deg=-0.5, aws_factor=0.99),
    }
    in_use = Calibration(Corrections(), (), by_set)
    sets, doubt = doubt_by_set(found, in_use)
    assert sets == ("J1", "A2")
    np.testing.assert_allclose(doubt, covariance[3:, 3:])


def test_a_proposal_not_accepted_is_doubt_too():
    covariance = _covariance()
    found = _estimate(KEYS, [0.0, 1.0, 1.0, 1.5, -0.5, 1.01, 0.99], covariance)
    _, doubt = doubt_by_set(found, Calibration(Corrections(upwash_deg=0.5), (), {}))
    away = np.array([1.0, -1.0, 0.01, -0.01])
    np.testing.assert_allclose(doubt, covariance[3:, 3:] + np.outer(away, away))


@pytest.mark.parametrize(
    "in_use", [Calibration(Corrections(), (), {}), Calibration(Corrections(upwash_deg=1.0), (), {})]
)
def test_where_nothing_could_be_estimated_nothing_is_named(in_use: Calibration):
    found = _estimate(KEYS[:3], [np.nan] * 3, np.full((3, 3), np.nan))
    sets, doubt = doubt_by_set(found, in_use)
    assert sets == ()
    assert doubt.shape == (0, 0)

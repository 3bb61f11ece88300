"""NIST certified regressions through the fit's own linear solver (flat prior, white noise)."""

from __future__ import annotations

import importlib.resources

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.surfaces import parameters
from pipeline.surfaces.components import Layout
from pipeline.surfaces.day_blocks import Weights, day_block
from pipeline.surfaces.model import DayData, Problem, evaluate


def solve(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    n, p = x.shape
    zero = np.zeros(n, dtype=np.int64)
    block = day_block(np.arange(n), np.arange(n, dtype=float), zero, zero, zero, np.full(n, 50.0))
    layout = Layout((), (), {}, p, {})
    theta = np.array(
        [
            np.log(1e-9) if q.name.endswith("_sd") and "white" not in q.name else m
            for q, m in zip(parameters.PARAMETERS, parameters.PRIOR_MEAN, strict=True)
        ]
    )
    problem = Problem(layout, (DayData(block, np.arange(p), x),), y, np.full(p, 1e6), 0.0)
    return evaluate(problem, theta, Weights(np.ones(n), np.ones(n), np.zeros(n)), with_gradient=False).mean


def test_norris() -> None:
    # NIST StRD Norris; certified values in the header of the file that scipy ships.
    text = (importlib.resources.files("scipy.stats.tests") / "data/nist_linregress/Norris.dat").read_text()
    data = np.array([line.split() for line in text.splitlines()[60:96]], dtype=float)
    y, x = data.T
    b = solve(np.column_stack([np.ones_like(x), x]), y)
    assert b == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-8)


def test_longley() -> None:
    # NIST StRD Longley, columns brought to mean 0 and spread 1 before solving (as the surfaces' columns are by nature).
    data = sm.datasets.longley.load_pandas()
    x, y = data.exog.to_numpy(dtype=float), data.endog.to_numpy(dtype=float)
    mean, spread = x.mean(axis=0), x.std(axis=0)
    scale = y.std()
    b = solve(np.column_stack([np.ones(len(y)), (x - mean) / spread]), y / scale) * scale
    slopes = b[1:] / spread
    certified = [
        15.0618722713733,
        -0.0358191792925910,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ]
    assert slopes == pytest.approx(certified, rel=1e-6)
    assert b[0] - slopes @ mean == pytest.approx(-3482258.63459582, rel=1e-6)

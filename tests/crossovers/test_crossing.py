"""Crossings along a line: exact where the answer is, open where the data end."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.crossovers.crossing import crossings, roots, verdict_of
from pipeline.crossovers.designed_chart import areas, borders_along

X = np.arange(6.0, 21.0)


def test_crossing_of_two_planes_is_exact() -> None:
    # Linear field: exact by any contouring of first order (check against contourpy: error 0.0).
    d = 0.01 * (X - 13.37)
    found = crossings(X, d, d[None] + np.linspace(-0.01, 0.01, 201)[:, None])
    assert len(found) == 1 and found[0].rising
    assert found[0].at == pytest.approx(13.37, abs=1e-9)
    # The draws' own crossings are uniform over 13.37 +- 1, so 5 and 95 % lie at +-0.9.
    assert (found[0].low, found[0].high) == (pytest.approx(12.47, abs=0.02), pytest.approx(14.27, abs=0.02))
    assert verdict_of(found[0], "tws_kn", (True, True), (True, True)) == "clear"


def test_every_branch_is_found() -> None:
    d = 0.02 * (X - 9.0) * (X - 17.0) / 16.0
    found = crossings(X, d, np.repeat(d[None], 50, axis=0))
    assert [round(f.at, 3) for f in found] == [9.0, 17.0]
    assert [f.rising for f in found] == [False, True]


def test_a_touch_is_no_crossing() -> None:
    assert roots(X, (X - 10.0) ** 2) == []


def test_side_without_data_stays_open() -> None:
    d = 0.002 * (X - 19.0)
    found = crossings(X, d, d[None] + np.random.default_rng(0).normal(0, 0.01, (400, 1)))[0]
    assert found.low is not None and found.high is None and found.high_at_end
    assert verdict_of(found, "tws_kn", (True, True), (False, True)) == "one-sided"
    assert verdict_of(found, "tws_kn", (True, True), (False, False)) == "close"


def _square(name: str, low: float, high: float) -> list[tuple[str, str, float, float]]:
    return [(name, "1", low, 30.0), (name, "1", high, 30.0), (name, "1", high, 180.0), (name, "1", low, 180.0)]


def test_designed_border_between_two_rings() -> None:
    chart = pl.DataFrame(
        _square("J1", 4, 12) + _square("J2", 12, 25), orient="row", schema=["sail_set", "part", "tws_kn", "twa_deg"]
    )
    names, inside = areas(chart, None)  # type: ignore[misc]
    found = borders_along(names, inside, "tws_kn", 60.0, 4.0, 25.0, lambda w, a: (w, a))
    assert [(b.set_a, b.set_b) for b in found] == [("J1", "J2")]
    assert found[0].designed == pytest.approx(12.0, abs=0.02)


def test_designed_border_from_speeds_alone() -> None:
    w, a = (x.ravel() for x in np.meshgrid(np.arange(4.0, 25), np.arange(30.0, 181, 10), indexing="ij"))
    frame = pl.concat(
        [
            pl.DataFrame({"sail_set": [s] * len(w), "tws_kn": w, "twa_deg": a, "bsp_kn": v})
            for s, v in (("J1", 5 + 0 * w), ("J2", 5 + 0.1 * (w - 12.5)))
        ]
    )
    names, inside = areas(None, frame)  # type: ignore[misc]
    found = borders_along(names, inside, "tws_kn", 60.0, 4.0, 24.0, lambda w, a: (w, a))
    assert [(b.set_a, b.set_b) for b in found] == [("J1", "J2")]
    assert found[0].designed == pytest.approx(12.5, abs=0.02)

"""Windows under a wrong name have no say in the surfaces; the audit still sees them."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.fit_by_names import doubted_windows, fit_by_names, unheard_windows
from pipeline.decisions.tag_audit import tag_audit
from pipeline.surfaces.season import fit_season
from tests.decisions.test_tag_audit import (
    BOAT,
    ONCE,
    OTHER,
    THRICE,
    TRUE,
    misnamed,
    season_windows,
    segments_of,
    turn_of,
)


def test_the_wrong_turn_and_nothing_else_is_left_unheard() -> None:
    _, believing = misnamed(ONCE)
    seen = believing.basis.seen
    spans = [turn_of(*t) for t in ONCE]
    inside = np.array([any(start <= t < end for start, end in spans) for t in seen.starts])
    doubted = doubted_windows(believing, BOAT)
    assert doubted[inside].mean() > 0.8
    assert doubted[~inside].mean() < 0.02


def test_the_audit_lists_the_turns_whether_they_were_heard_or_not() -> None:
    windows, believing = misnamed(THRICE)
    fit = fit_by_names(windows, BOAT)
    assert fit.as_logged is not None and fit.basis is not None
    unheard = fit.basis.weights.window < 0.01 * fit.as_logged.weights.window
    assert 0.8 * 9 * len(THRICE) <= unheard.sum() <= 1.1 * 9 * len(THRICE)
    listed = unheard_windows(fit)
    assert listed["start"].to_list() == [t for t, out in zip(fit.basis.seen.starts, unheard, strict=True) if out]
    assert set(listed["sail_set"]) == {OTHER}
    for heard in (fit, believing):
        rows = tag_audit(windows, segments_of(windows), heard, BOAT)
        assert rows.select("logged", "likelier").rows() == [(OTHER, TRUE)] * len(THRICE)


def test_a_season_of_right_names_is_heard_whole() -> None:
    windows = season_windows()
    fit = fit_by_names(windows, BOAT)
    assert fit.as_logged is None and unheard_windows(fit).is_empty()
    assert fit.surfaces.equals(fit_season(windows, BOAT).surfaces)


def test_a_season_of_one_set_has_no_other_name() -> None:
    windows = season_windows().filter(pl.col("sail_set") == TRUE).head(80)
    assert not doubted_windows(fit_season(windows, BOAT), BOAT).any()


def test_a_long_season_is_searched_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    windows, believing = misnamed(ONCE)
    whole = doubted_windows(believing, BOAT)
    monkeypatch.setattr("pipeline.decisions.likeliest_names.MOST_WINDOWS", windows.height // 2 + 20)
    parted = doubted_windows(believing, BOAT)
    assert parted.any()
    assert (parted & whole).sum() >= 0.8 * whole.sum()
    rows = tag_audit(windows, segments_of(windows), believing, BOAT)
    assert rows.select("logged", "likelier").rows() == [(OTHER, TRUE)]
    assert rows["start"].dt.date()[0] == turn_of(*ONCE[0])[0].date()

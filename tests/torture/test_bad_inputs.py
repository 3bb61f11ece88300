"""Every bad input gets its sentence and status, as the contributors' guide says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.torture.bad_inputs import CASES, Case, faults, row, tried

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_each_is_answered_as_the_guide_says(case: Case) -> None:
    with tried(case) as answer:
        assert faults(case, answer) == []
        assert row(case, answer) in GUIDE.read_text("utf-8")

"""Generated input for every reader of files. More cases: PEELPOINT_CASES=100000 pytest tests/fuzzing."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzzing.inputs import INPUTS
from tests.fuzzing.targets import TARGETS

CASES = int(os.environ.get("PEELPOINT_CASES", "120"))
FOUND = Path(__file__).parent / "found"


@pytest.mark.parametrize("target", TARGETS)
def test_any_bytes_keep_the_promises(target):
    @settings(
        max_examples=CASES, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
    )
    @given(st.one_of(INPUTS[target], INPUTS[target], INPUTS[target], st.binary(max_size=300)))
    def hold(data: bytes) -> None:
        TARGETS[target](data)

    hold()


@pytest.mark.parametrize("file", sorted(FOUND.glob("*/*")), ids=lambda f: f"{f.parent.name}/{f.name}")
def test_what_fuzzing_found_stays_mended(file):
    TARGETS[file.parent.name](file.read_bytes())

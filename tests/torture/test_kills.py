"""A few runs killed; `kill_runs.py` kills hundreds."""

import sys
from pathlib import Path

import pytest

from pipeline.output_folder import MARKER_NAME, claim
from tests.torture.kills import BOUNDARIES, Bench, disturb, kill_at, prepare, starve

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return prepare(tmp_path_factory.mktemp("bench"))


def test_killed_at_each_stage_the_next_run_ends_as_an_undisturbed_one(bench: Bench) -> None:
    assert bench.whole_rows and bench.whole_rows != bench.earlier_rows["shorter"]
    at_each = [kill_at(boundary, 0.0) for boundary in BOUNDARIES]
    for start in ("shorter", "empty"):
        assert disturb(bench, start, at_each) == (len(BOUNDARIES), None)


@pytest.mark.skipif(sys.platform != "linux", reason="no other system holds a process to an address space")
@pytest.mark.parametrize("megabytes", [900, 1300])
def test_out_of_memory_the_store_is_as_it_was(bench: Bench, megabytes: float) -> None:
    status, wrong = starve(bench, "shorter", megabytes)
    assert status != 0
    assert wrong is None


def test_the_folder_of_a_run_killed_in_its_first_moment_is_ours(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / f"{MARKER_NAME}.new").write_text("{")
    claim(out, tmp_path / "campaign")
    assert (out / MARKER_NAME).is_file()

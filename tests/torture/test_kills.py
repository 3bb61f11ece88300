"""A few runs killed; `kill_runs.py` kills hundreds."""

from pathlib import Path

import pytest

from pipeline.output_folder import MARKER_NAME, claim
from tests.torture.kills import BOUNDARIES, disturb, kill_at, prepare

pytestmark = pytest.mark.slow


def test_killed_at_each_stage_the_next_run_ends_as_an_undisturbed_one(tmp_path: Path) -> None:
    bench = prepare(tmp_path)
    assert bench.whole_rows and bench.whole_rows != bench.earlier_rows["shorter"]
    at_each = [kill_at(boundary, 0.0) for boundary in BOUNDARIES]
    for start in ("shorter", "empty"):
        assert disturb(bench, start, at_each) == (len(BOUNDARIES), None)


def test_the_folder_of_a_run_killed_in_its_first_moment_is_ours(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / f"{MARKER_NAME}.new").write_text("{")
    claim(out, tmp_path / "campaign")
    assert (out / MARKER_NAME).is_file()

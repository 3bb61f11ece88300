"""What tests of several folders share."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli import main


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output folder of the demo, run once; tests only read it."""
    folder = tmp_path_factory.mktemp("demo") / "out"
    assert main(["demo", "--out", str(folder)]) == 0
    return folder

"""The wheel holds all that the command needs, and works away from the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def unpacked_wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "installed")
    return folder / "installed"


def python(installed: Path, code: str, cwd: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_sql_templates_and_demo_travel_with_the_wheel(unpacked_wheel: Path, tmp_path: Path) -> None:
    for folder in ("sql", "sample_logs"):
        found = python(unpacked_wheel, f"from pipeline.shipped import shipped; print(shipped({folder!r}))", tmp_path)
        assert Path(found).is_relative_to(unpacked_wheel)
    shipped = {p.relative_to(unpacked_wheel / "pipeline" / "_sql") for p in unpacked_wheel.rglob("*.sql")}
    assert shipped == {p.relative_to(ROOT / "sql") for p in (ROOT / "sql").rglob("*.sql")}
    for kind in ("*.j2", "*.css", "*.js"):
        inside = {p.name for p in (unpacked_wheel / "pipeline" / "reporting").rglob(kind)}
        assert inside == {p.name for p in (ROOT / "pipeline" / "reporting").rglob(kind)}
    assert (unpacked_wheel / "pipeline" / "_sample_logs" / "boat.toml").is_file()


def test_check_runs_from_the_wheel(unpacked_wheel: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from pipeline.cli import main; from pipeline.shipped import shipped;"
        "sys.exit(main(['check', str(shipped('sample_logs'))]))"
    )
    assert "can be run" in python(unpacked_wheel, code, tmp_path)

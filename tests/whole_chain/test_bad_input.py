"""Bad input of every kind: a plain sentence saying what and where, the right status, an existing store as it was."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.cli import main

Make = Callable[..., Path]
YACHT = {"a.nmea": "yacht-instruments-2018.nmea.gz"}


def digest(out: Path) -> dict[str, str]:
    return {
        p.relative_to(out).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in out.rglob("*") if p.is_file()
    }


def fails(capsys, folder: Path, out: Path, *words: str, status: int = 1) -> str:
    capsys.readouterr()
    assert main(["run", str(folder), "--out", str(out)]) == status
    said = capsys.readouterr().err
    assert "Traceback" not in said
    for word in words:
        assert word in said, said
    return said


def test_folder_that_does_not_exist(capsys, tmp_path: Path) -> None:
    fails(capsys, tmp_path / "nowhere", tmp_path / "out", "nowhere")


def test_empty_folder(capsys, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    fails(capsys, tmp_path / "empty", tmp_path / "out", "boat.toml")


def test_no_logs(capsys, campaign_of: Make, tmp_path: Path) -> None:
    fails(capsys, campaign_of({}), tmp_path / "out", "logs")


def test_logs_without_wind(capsys, campaign_of: Make, tmp_path: Path) -> None:
    fails(capsys, campaign_of({"gps.nmea": "firefly-II.nmea"}), tmp_path / "out", "wind")


def test_random_bytes(capsys, campaign_of: Make, tmp_path: Path) -> None:
    noise = random.Random(1).randbytes(200_000)
    fails(capsys, campaign_of({"noise.log": noise}), tmp_path / "out", "noise.log")


def test_broken_boat_toml_and_sail_log_are_reported_together(capsys, campaign_of: Make, tmp_path: Path) -> None:
    folder = campaign_of(YACHT, more='wind_sensor_hieght_m = 3\nvariation_deg = "east"')
    (folder / "sail_log.csv").write_bytes(b"\x00\x01\x02 no table at all\n\xff\xfe")
    said = fails(capsys, folder, tmp_path / "out", "wind_sensor_hieght_m", "variation_deg", "sail_log.csv")
    assert "line 8" in said


def test_boat_toml_is_not_toml(capsys, campaign_of: Make, tmp_path: Path) -> None:
    folder = campaign_of(YACHT)
    (folder / "boat.toml").write_text("[boat\nname = 3", "utf-8")
    fails(capsys, folder, tmp_path / "out", "boat.toml", "line 1")


def test_failed_run_leaves_an_existing_result_as_it_was(capsys, campaign_of: Make, tmp_path: Path) -> None:
    folder, out = campaign_of(YACHT), tmp_path / "out"
    assert main(["run", str(folder), "--out", str(out)]) == 0
    before = digest(out)
    (folder / "logs" / "a.nmea").unlink()
    (folder / "logs" / "b.nmea").write_bytes(b"$GPZDA,120000,01,07,2027,00,00*45\r\n")
    fails(capsys, folder, out, "wind")
    assert digest(out) == before
    (folder / "boat.toml").write_text("nonsense", "utf-8")
    fails(capsys, folder, out, "boat.toml")
    assert digest(out) == before


def test_foreign_output_folder_is_refused(capsys, campaign_of: Make, tmp_path: Path) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    (out / "thesis.txt").write_text("years of work", "utf-8")
    fails(capsys, campaign_of(YACHT), out, "not made by peelpoint", status=2)
    assert [p.name for p in out.iterdir()] == ["thesis.txt"]


def test_output_inside_the_campaign_is_refused(capsys, campaign_of: Make, tmp_path: Path) -> None:
    folder = campaign_of(YACHT)
    fails(capsys, folder, folder / "out", "never written to", status=2)
    assert not (folder / "out").exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="gives up the superuser's rights for a moment, so needs to have them")
def test_directory_without_permission(capsys, campaign_of: Make, tmp_path: Path) -> None:
    folder, out = campaign_of(YACHT), tmp_path / "out"
    assert main(["run", str(folder), "--out", str(out)]) == 0  # also loads every module before rights are given up
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == 0 and path != Path(path.anchor):
            path.chmod(path.stat().st_mode | 0o055)
    for path in out.rglob("*"):
        path.chmod(0o777)
    out.chmod(0o777)
    (folder / "logs").chmod(0o700)
    os.seteuid(65534)
    try:
        fails(capsys, folder, out, "logs")
    finally:
        os.seteuid(0)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 3 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here (needs the superuser)")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_disk_that_fills_up(capsys, campaign_of: Make, small_disk: Path) -> None:
    folder = campaign_of(
        {"a.nmea": "ocean-start-2008.nmea.gz", "b.nmea": "coastal-2014.nmea.gz"}, more="start_date = 2014-07-05"
    )
    out = small_disk / "out"
    said = fails(capsys, folder, out)
    assert "disk" in said.lower() or "space" in said.lower(), said
    assert not list(out.glob("*.html")), "nothing half-written"
    assert not list(out.glob("tables/*"))

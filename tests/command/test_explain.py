"""`peelpoint explain` and `run --suggested-log`, on a small season of its own."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import reduce
from math import sin
from operator import xor
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.explain import explain_minute

NOON = datetime(2027, 7, 3, 12)
BOAT = """\
[boat]
name = "Sandpiper"
loa_m = 11.0
[instruments]
wind_sensor_height_m = 15.0
time_zone = "Europe/Paris"
[sails.MN]
kind = "mainsail"
station = "mast"
area_m2 = 40
[sails.J1]
kind = "headsail"
station = "forestay"
area_m2 = 35
[sails.G2]
kind = "spinnaker"
station = "bowsprit"
area_m2 = 100
"""
SAIL_LOG = """\
time,action,sail,note
2027-07-03T11:50:00Z,flying,MN J1,
2027-07-03T12:12:00Z,hoist,G2,"windward mark"
2027-07-03T12:12:00Z,drop,J1,
"""


def log(minutes: int = 25) -> str:
    """Close-hauled on starboard at 6 kn for 12 min, then a broad reach; the engine's sensors are silent."""
    lines = []
    for i in range(60 * minutes):
        now = NOON + timedelta(seconds=i)
        little = 0.5 * sin(i / 7.0)  # a sensor that never moves would be taken for stuck
        awa, aws, heading = (30.0, 17.0, 0.0) if i < 720 else (110.0, 9.0, 120.0)
        for body in (
            f"GPRMC,{now:%H%M%S},A,5030.000,N,00100.000,W,6.0,{heading:.1f},{now:%d%m%y},0.0,E,A",
            f"WIMWV,{awa + little:.1f},R,{aws + little:.1f},N,A",
            f"IIVHW,{heading:.1f},T,,M,6.00,N,,K",
            "IIXDR,A,-18.0,D,HEEL",
        ):
            lines.append(f"${body}*{reduce(xor, body.encode()):02X}\r\n")
    return "".join(lines)


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> tuple[Path, Path]:
    """A campaign and the output folder of its run."""
    folder, out = tmp_path_factory.mktemp("season") / "c", tmp_path_factory.mktemp("results") / "out"
    (folder / "logs").mkdir(parents=True)
    (folder / "boat.toml").write_text(BOAT, "utf-8")
    (folder / "sail_log.csv").write_text(SAIL_LOG, "utf-8")
    (folder / "logs" / "day.nmea").write_text(log(), "utf-8")
    assert main(["run", str(folder), "--out", str(out)]) == 0
    return folder, out


def told(season: tuple[Path, Path], time: str) -> str:
    return "\n".join(explain_minute(season[0], time, season[1]))


def test_a_minute_that_was_kept(season) -> None:
    text = told(season, "2027-07-03T12:05:00Z")
    assert "Sandpiper, the minute from 2027-07-03 12:05:00 UTC" in text
    assert "sail set   J1 from 12:00:00 to 12:12:00 (sail log, logged)" in text
    assert "before: 07-03 11:50:00 flying MN J1 (line 2)" in text
    assert "after: 07-03 12:12:00" in text
    assert "AWS 17.0 kn, AWA +30.0 deg" not in text  # heel and leeway are corrected, so the angle is another
    assert "speed 6.00 kn (water), heading 000 deg, heel -18.0 deg" in text
    assert "kept       steady window" in text


def test_a_minute_that_was_set_aside_says_why(season) -> None:
    text = told(season, "2027-07-03T12:11:30Z")
    assert "sail set   J1 from 12:00:00 to 12:12:00" in text and "sail set   G2 from 12:12:00" in text
    assert "set aside" in text and "sail change" in text


def test_a_time_without_a_zone_is_the_boats(season) -> None:
    assert told(season, "2027-07-03 14:05") == told(season, "2027-07-03T12:05:00Z")


def test_a_minute_that_no_log_covers(season) -> None:
    text = told(season, "2027-07-04T12:05:00Z")
    assert "none: no log covers this minute" in text and "no samples in this minute" in text
    assert "no entry within 12 h" in text and "no steady window touches this minute" in text


@pytest.mark.parametrize(
    "time", ["noon", "2027-07-03", "2027-10-31 02:30", "2027-13-03T12:00:00Z", "9999-12-31T23:59:59Z"]
)
def test_a_time_that_cannot_be_meant_is_wrong_usage(season, time: str, capsys) -> None:
    capsys.readouterr()
    assert main(["explain", str(season[0]), time, "--out", str(season[1])]) == 2
    assert time in capsys.readouterr().err


def test_before_a_run_there_is_nothing_to_explain(season, tmp_path: Path, capsys) -> None:
    time = "2027-07-03T12:05:00Z"
    assert main(["explain", str(season[0]), time, "--out", str(tmp_path / "new")]) == 1
    assert "run `peelpoint run" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
    assert main(["ingest", str(season[0]), "--out", str(tmp_path / "half")]) == 0
    assert main(["explain", str(season[0]), time, "--out", str(tmp_path / "half")]) == 1
    assert "no sail sets tagged yet" in capsys.readouterr().err


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_suggested_log_is_written_where_asked_and_the_campaign_left_alone(season, tmp_path: Path, capsys) -> None:
    folder, out = season
    before = files_of(folder)
    file = tmp_path / "suggested.csv"
    assert main(["run", str(folder), "--out", str(out), "--suggested-log", str(file)]) == 0
    assert f"{file}: a sail log to accept or not, with 0 entries by the speeds" in capsys.readouterr().out
    text = file.read_text("utf-8")
    assert text.startswith("time,action,sail,note\n2027-07-03T12:00:00Z,flying,MN J1,")
    assert "2027-07-03T12:12:00Z,flying,MN G2," in text
    assert files_of(folder) == before
    assert main(["run", str(folder), "--out", str(out), "--suggested-log", str(file)]) == 2
    assert f"{file} exists and is left as it is" in capsys.readouterr().err
    assert file.read_text("utf-8") == text


@pytest.mark.parametrize(
    ("place", "said"),
    [("c/new.csv", "never written to"), ("c/sail_log.csv", "never written to"), ("none/new.csv", "there is no folder")],
)
def test_a_suggested_log_has_its_place_elsewhere(season, place: str, said: str, capsys) -> None:
    folder, out = season
    before = files_of(folder)
    file = folder.parent / place
    assert main(["run", str(folder), "--out", str(out), "--suggested-log", str(file)]) == 2
    assert said in capsys.readouterr().err
    assert files_of(folder) == before

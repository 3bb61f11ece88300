"""`peelpoint start`: what it finds in logs of many layouts, and drafts that can be run as they stand."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from pipeline.campaign.boat_file import read_boat
from pipeline.campaign.headings import guess, guessed_columns
from pipeline.cli import main
from pipeline.start import draft_files

NOON = datetime(2027, 7, 13, 12)
TICKS = 120


def nmea(with_date: bool = True) -> str:
    lines = []
    for i in range(TICKS):
        now = NOON + timedelta(seconds=i)
        bodies = [
            f"GPRMC,{now:%H%M%S},A,5030.000,N,00100.000,W,6.0,090.0,{now:%d%m%y},3.2,W,A"
            if with_date
            else f"GPGGA,{now:%H%M%S},5030.000,N,00100.000,W,1,08,1.0,2.0,M,40.0,M,,",
            "WIMWV,325.0,R,14.0,N,A",
            "IIVHW,,T,358.0,M,6.2,N,,K",
            "IIXDR,A,15.0,D,HEEL,G,12.0,,FORESTAY",
        ]
        lines += [f"${b}*{reduce(xor, b.encode()):02X}" for b in bodies]
    return "\r\n".join(lines) + "\r\n"


def csv(stamp: str, heading: str, row: str, above: str = "") -> str:
    return above + "\n".join([heading, *(f"{NOON + timedelta(seconds=i):{stamp}}{row}" for i in range(TICKS))]) + "\n"


def season(tmp_path: Path, **logs: str) -> Path:
    folder = tmp_path / "Sandpiper"
    (folder / "logs").mkdir(parents=True)
    for name, text in logs.items():
        (folder / "logs" / name.replace("__", ".")).write_text(text, "utf-8")
    return folder


@pytest.mark.parametrize(
    ("heading", "unit_cell", "channel", "unit"),
    [
        ("log m/s", "", "bsp", "m/s"),
        ("wind m/s", "", "aws", "m/s"),
        ("wind (deg)", "", "awa", "deg"),
        ("wind angle", "", "awa", None),
        ("Wind", "kts", "aws", "kn"),
        ("Boat speed (m/s)", "", "bsp", "m/s"),
        ("aws_kn", "", "aws", "kn"),
        ("HDG", "°M", "hdg_mag", "deg"),
        ("compass", "", "hdg_mag", None),
        ("True Wind Speed [km/h]", "", "tws", "km/h"),
        ("Timestamp UTC", "", "time", None),
        ("Barometer", "mb", "pressure", "mbar"),
        ("log", "", None, None),  # a speed or a distance: not guessed
        ("wind", "", None, None),
        ("mast ram mm", "", None, None),
        ("", "", None, None),
    ],
)
def test_guesses_from_headings(heading: str, unit_cell: str, channel: str | None, unit: str | None) -> None:
    assert guess(heading, unit_cell) == (channel, unit)


def test_each_channel_is_guessed_once() -> None:
    columns = guessed_columns(("time", "utc", "awa", "apparent wind angle"))
    assert [(c.channel, c.column) for c in columns] == [("time", "time"), ("awa", "awa")]


def test_what_is_found_in_sentences_is_told_and_drafted(tmp_path: Path, capsys) -> None:
    folder = season(tmp_path, day__nmea=nmea())
    assert main(["start", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "1 log, 1 session with a date" in said
    for channel in ("awa", "aws", "bsp", "heel", "hdg_mag", "forestay"):
        assert f"  {channel} " in said, channel
    assert "1.00 Hz" in said and "WI 120" in said and "not found" not in said
    assert "heel seems" not in said  # heeled to starboard by wind from port, as it should be
    boat, problems = read_boat(folder / "boat.toml")
    assert boat is not None and boat.name == "Sandpiper"
    assert problems and all("TO DO" in p.what for p in problems if not p.fatal)
    assert "2027-07-13T12:00:00Z,flying,TO-DO" in (folder / "sail_log.csv").read_text("utf-8")


def test_the_rate_is_that_of_one_sentence_not_of_all_that_give_a_channel(tmp_path: Path) -> None:
    body = "GPVTG,090.0,T,,M,6.0,N,,K,A"
    speed_again = f"${body}*{reduce(xor, body.encode()):02X}\r\n"
    text = "".join(line + "\r\n" + (speed_again if "RMC" in line else "") for line in nmea().splitlines())
    found = draft_files(season(tmp_path, day__nmea=text)).found
    assert next(line for line in found if line.startswith("  sog")).split()[2:4] == ["1.00", "Hz"]


def test_drafts_run_as_they_stand_and_check_asks_for_the_sails(tmp_path: Path, capsys) -> None:
    folder = season(tmp_path, day__nmea=nmea())
    draft_files(folder)
    assert main(["run", str(folder), "--out", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    assert main(["check", str(folder)]) == 1
    assert "sail 'TO-DO' is not in boat.toml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "time_format", "unsure"),
    [
        (csv("%Y-%m-%dT%H:%M:%SZ", "time,awa,aws,bsp", ",-35,14.2,6.1"), ",", ".", "auto", False),
        (
            csv("%d.%m.%Y %H:%M:%S", "when;wind deg;wind m/s;log kn", ";-35,5;7,2;6,1"),
            ";",
            ",",
            "%d.%m.%Y %H:%M:%S",
            False,
        ),
        (csv("%m/%d/%y %H:%M:%S", "when\tAWA\tAWS\tSTW", "\t-35.5\t14\t6.1"), "\t", ".", "%m/%d/%y %H:%M:%S", False),
        (
            csv("%Y-%m-%d %H:%M:%S", "utc|awa|aws|stw", "|-35|14|6.1", "Logger 7\nserial 12\n\n"),
            "|",
            ".",
            "auto",
            False,
        ),
        (
            csv("%Y-%m-%d %H:%M:%S", "utc,awa,aws,stw\nUTC,deg,m/s,kts", ",-35,7.2,6.1"),
            ",",
            ".",
            "auto",
            False,
        ),
        (
            csv("%d/%m/%Y %H:%M:%S", "when,awa,aws,bsp", ",-35,14,6").replace("13/07/2027", "03/07/2027"),
            ",",
            ".",
            "%d/%m/%Y %H:%M:%S",
            True,
        ),
    ],
    ids=["plain", "european", "american", "preamble", "units", "day-or-month"],
)
def test_layouts_of_csv_logs(
    tmp_path: Path, capsys, text: str, delimiter: str, decimal: str, time_format: str, unsure: bool
) -> None:
    folder = season(tmp_path, day__csv=text)
    draft_files(folder)
    boat, _ = read_boat(folder / "boat.toml")
    assert boat is not None
    (layout,) = boat.csv
    assert (layout.delimiter, layout.decimal, layout.time_format) == (delimiter, decimal, time_format)
    assert {c.channel for c in layout.columns} == {"time", "awa", "aws", "bsp"}
    assert ("day and month" in (folder / "boat.toml").read_text("utf-8")) is unsure
    assert main(["ingest", str(folder), "--out", str(tmp_path / "out")]) == 0
    capsys.readouterr()


def test_logs_without_a_date_are_asked_for_theirs(tmp_path: Path) -> None:
    folder = season(tmp_path, a__nmea=nmea(with_date=False), b__nmea=nmea())
    draft_files(folder)
    boat, _ = read_boat(folder / "boat.toml")
    assert boat is not None and boat.instruments.start_date == {"a.nmea": NOON.date()}


def test_a_csv_that_cannot_be_read_is_a_remark_beside_the_logs_that_can(tmp_path: Path) -> None:
    folder = season(tmp_path, a__csv="time,awa,aws\nsoon,1,2\n", b__nmea=nmea())
    found = "\n".join(draft_files(folder).found)
    assert "remark: logs/a.csv: no line of this CSV could be read" in found


def test_loose_logs_are_looked_at_where_they_lie(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    (folder / "day.nmea").write_text(nmea(), "utf-8")
    (folder / "races.csv").write_text("name,start,finish\n", "utf-8")
    assert main(["start", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "1 log, 1 session with a date" in said and "remark: logs/: move the logs into" in said
    assert (folder / "boat.toml").is_file()


def test_files_that_exist_are_left_as_they_are(tmp_path: Path, capsys) -> None:
    folder = season(tmp_path, day__nmea=nmea())
    (folder / "boat.toml").write_text("mine", "utf-8")
    assert main(["start", str(folder)]) == 0
    assert "boat.toml exists and was left as it is" in capsys.readouterr().out
    assert (folder / "boat.toml").read_text("utf-8") == "mine"
    assert (folder / "sail_log.csv").is_file()


@pytest.mark.parametrize("logs", [None, {}, {"noise__log": "\x01\x02\x03 no log at all"}])
def test_nothing_to_look_at_is_a_sentence(tmp_path: Path, capsys, logs: dict[str, str] | None) -> None:
    folder = tmp_path / "Sandpiper" if logs is None else season(tmp_path, **logs)
    assert main(["start", str(folder)]) == 1
    assert "logs" in capsys.readouterr().err
    assert not (folder / "boat.toml").exists()

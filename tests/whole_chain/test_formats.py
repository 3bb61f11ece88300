"""One short season written down in many ways: every layout must give the same store, and every table its form."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import reduce
from math import cos, pi, sin
from operator import xor
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.ingest.store import Store
from pipeline.tables import TABLES
from tests.whole_chain.result_tables import RESULT_TABLES

START = datetime(2027, 7, 3, 9)
MINUTES = 6
EPOCH = datetime(1970, 1, 1)
CHANNELS = ("awa", "aws", "bsp", "hdg_mag", "heel")
# Half a unit of the last digit written, and what averaging in the tick may add.
LIMITS = {"awa": 0.06, "aws": 0.06, "bsp": 0.06, "hdg_mag": 0.06, "heel": 0.06}
BOAT = """\
[boat]
name = "Sandpiper"
loa_m = 11.0
[instruments]
wind_sensor_height_m = 15.0
{instruments}
[sails.MN]
kind = "mainsail"
station = "mast"
area_m2 = 40
[sails.J1]
kind = "headsail"
station = "forestay"
area_m2 = 35
[sails.A2]
kind = "spinnaker"
station = "bowsprit"
area_m2 = 100
{more}
"""
SAIL_LOG = (
    "time,action,sail,note\n2027-07-03T08:50:00Z,flying,MN J1,\n2027-07-04T20:00:00Z,hoist,A2,after the last log\n"
)


def values(i: float) -> dict[str, float]:
    """What the instruments show `i` seconds after the start."""
    return {
        "awa": -35.0 + 5.0 * sin(2 * pi * i / 120),
        "aws": 14.0 + 3.0 * sin(2 * pi * i / 250),
        "bsp": 6.3 + cos(2 * pi * i / 300),
        "hdg_mag": (2.0 + 8.0 * sin(2 * pi * i / 200)) % 360.0,
        "heel": 15.0 + 4.0 * sin(2 * pi * i / 100),
    }


def ticks(step_s: float = 1.0, start: datetime = START) -> Iterator[tuple[datetime, dict[str, float]]]:
    for k in range(int(MINUTES * 60 / min(step_s, 1.0)) if step_s <= 1 else MINUTES * 60):
        yield start + timedelta(seconds=k * step_s), values(k * step_s)


def sentence(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode()):02X}"


def sentences(now: datetime, v: dict[str, float], *, timed: bool = True, dated: bool = True) -> list[str]:
    clock = f"{now:%H%M%S}.{now.microsecond // 10000:02d}"
    fix = "5030.000,N,00100.000,W"
    bodies = []
    if timed:
        bodies.append(
            f"GPRMC,{clock},A,{fix},6.00,000.0,{now:%d%m%y},3.2,W,A"
            if dated
            else f"GPGGA,{clock},{fix},1,08,1.0,2.0,M,40.0,M,,"
        )
    return [
        sentence(b)
        for b in (
            *bodies,
            f"WIMWV,{v['awa'] % 360:.1f},R,{v['aws']:.1f},N,A",
            f"IIVHW,,T,,M,{v['bsp']:.1f},N,,K",
            f"HCHDG,{v['hdg_mag']:.1f},,,3.2,W",
            f"IIXDR,A,{v['heel']:.1f},D,HEEL",
        )
    ]


def nmea(front: Callable[[datetime], str] | None = None, *, step_s: float = 1.0, dated: bool = True) -> bytes:
    lines = [
        (front(now) if front else "") + text
        for now, v in ticks(step_s)
        for text in sentences(now, v, timed=front is None, dated=dated)
    ]
    return ("\r\n".join(lines) + "\r\n").encode()


def csv(
    stamp: Callable[[datetime], str],
    headings: str = "time,awa,aws,bsp,hdg_mag,heel",
    delimiter: str = ",",
    cell: Callable[[str, float], str] = lambda _, x: f"{x:.1f}",
    below: str = "",
) -> bytes:
    rows = [headings + below]
    rows += [delimiter.join([stamp(now), *(cell(c, v[c]) for c in CHANNELS)]) for now, v in ticks()]
    return ("\n".join(rows) + "\n").encode()


def tag(now: datetime) -> str:
    body = f"s:II0001,c:{round((now - EPOCH).total_seconds())}"
    return f"\\{body}*{reduce(xor, body.encode()):02X}\\"


def unix(now: datetime) -> float:
    return (now - EPOCH).total_seconds()


def iso(now: datetime) -> str:
    return f"{now:%Y-%m-%dT%H:%M:%SZ}"


def campaign(
    place: Path, logs: dict[str, bytes], instruments: str = "", more: str = "", sail_log: str | None = SAIL_LOG
) -> Path:
    folder = place / "campaign"
    (folder / "logs").mkdir(parents=True)
    (folder / "boat.toml").write_text(BOAT.format(instruments=instruments, more=more), "utf-8")
    if sail_log is not None:
        (folder / "sail_log.csv").write_text(sail_log, "utf-8")
    for name, content in logs.items():
        (folder / "logs" / name).write_bytes(content)
    return folder


def samples_of(folder: Path, out: Path) -> pl.DataFrame:
    assert main(["ingest", str(folder), "--out", str(out)]) == 0
    with Store.open(out / "season.duckdb", read_only=True) as store:
        return store.read_samples()


def right(samples: pl.DataFrame, step_s: float = 1.0, channels=CHANNELS) -> None:
    """Every sample is at a tick of the truth, all ticks are there, and every channel has the tick's value."""
    times = [now for now, _ in ticks(step_s)]
    assert samples["time"].to_list() == times
    for channel in channels:
        true = pl.Series([v[channel] for _, v in ticks(step_s)])
        off = samples[channel] - true
        off = (off + 180.0) % 360.0 - 180.0 if channel == "hdg_mag" else off
        assert off.null_count() == 0 and off.abs().max() <= LIMITS[channel], (channel, off.abs().max())


STAMPS = {
    "RFC 3339": lambda now: f"{iso(now)} ",
    "offset": lambda now: f"{now + timedelta(hours=2):%Y-%m-%dT%H:%M:%S}+02:00,",
    "colon behind": lambda now: f"{iso(now)}: ",
    "dash behind": lambda now: f"{iso(now)} - ",
    "brackets": lambda now: f"[{iso(now)}] ",
    "epoch s": lambda now: f"{unix(now):.0f};",
    "epoch ms and colon": lambda now: f"{1000 * unix(now):.0f}:",
    "TAG block": tag,
}


@pytest.mark.parametrize("name", STAMPS)
def test_stamps_in_front_of_sentences(tmp_path: Path, name: str) -> None:
    right(samples_of(campaign(tmp_path, {"a.nmea": nmea(STAMPS[name])}), tmp_path / "out"))


@pytest.mark.parametrize("step_s", [0.2, 1.0, 5.0, 10.0])
def test_sentences_timed_by_a_neighbour_at_any_rate(tmp_path: Path, step_s: float) -> None:
    samples = samples_of(campaign(tmp_path, {"a.nmea": nmea(step_s=step_s)}), tmp_path / "out")
    right(samples, step_s)


def test_a_faster_log_comes_to_ten_samples_a_second(tmp_path: Path) -> None:
    samples = samples_of(campaign(tmp_path, {"a.nmea": nmea(step_s=0.05)}), tmp_path / "out")
    step = samples["time"].diff().drop_nulls().dt.total_microseconds()
    assert step.unique().to_list() == [100_000]


def test_packed_without_dates_and_other_talkers(tmp_path: Path) -> None:
    data = nmea(dated=False)
    for old, new in (("WIMWV", "12MWV"), ("HCHDG", "PXHDG")):
        lines = data.decode().splitlines()
        lines = [sentence(line[1:-3].replace(old, new)) if old in line else line for line in lines]
        data = ("\n".join(lines) + "\n").encode()
    folder = campaign(tmp_path, {"a.log": gzip.compress(data)}, "start_date = 2027-07-03")
    right(samples_of(folder, tmp_path / "out"))


PARIS = 'time_zone = "Europe/Paris"'
CSV_LOGS: dict[str, tuple[bytes, str, str]] = {
    "plain": (csv(iso), "", ""),
    "delimiter told by the heading": (
        csv(iso, "time;awa;aws;bsp;hdg_mag;heel", ";"),
        "",
        "",
    ),
    "decimal comma": (
        csv(iso, "time;awa;aws;bsp;hdg_mag;heel", ";", lambda _, x: f"{x:.1f}".replace(".", ",")),
        "",
        '[csv]\ndelimiter = ";"\ndecimal = ","',
    ),
    "decimal comma in quotes": (
        csv(iso, cell=lambda _, x: f'"{x:.1f}"'.replace(".", ",")),
        "",
        '[csv]\ndecimal = ","\ndelimiter = ","',
    ),
    "units row": (
        csv(
            iso, cell=lambda c, x: f"{x * 1852 / 3600:.3f}" if c == "aws" else f"{x:.1f}", below="\n,deg,m/s,kts,°,Deg"
        ),
        "",
        "[csv]\nunits_row = true",
    ),
    "columns with units": (
        csv(
            lambda now: f"{now:%d.%m.%Y %H:%M:%S}",
            "when;wind angle;wind kmh;log m/s;compass;Heel (°)",
            ";",
            lambda c, x: f"{x * {'aws': 1.852, 'bsp': 1852 / 3600}.get(c, 1.0):.3f}",
        ),
        "",
        '[csv]\ndelimiter = ";"\ntime_format = "%d.%m.%Y %H:%M:%S"\n[csv.columns]\ntime = "when"\nawa = "wind angle"\n'
        'aws = { column = "wind kmh", unit = "km/h" }\nbsp = { column = "log m/s", unit = "m/s" }\n'
        'hdg_mag = "compass"\nheel = "Heel (°)"',
    ),
    "angles from 0 to 360": (csv(iso, cell=lambda c, x: f"{x % 360 if c == 'awa' else x:.1f}"), "", ""),
    "epoch s": (csv(lambda now: f"{unix(now):.3f}"), "", '[csv]\ntime_format = "epoch_s"'),
    "epoch ms": (csv(lambda now: f"{1000 * unix(now):.0f}"), "", '[csv]\ntime_format = "epoch_ms"'),
    "boat's zone": (csv(lambda now: f"{now + timedelta(hours=2):%Y-%m-%d %H:%M:%S}"), PARIS, ""),
    "zone west of Greenwich": (
        csv(lambda now: f"{now - timedelta(hours=3, minutes=30):%Y-%m-%d %H:%M:%S}"),
        'time_zone = "-03:30"',
        "",
    ),
    "time of day": (csv(lambda now: f"{now:%H:%M:%S}"), "start_date = 2027-07-03", ""),
}


@pytest.mark.parametrize("name", CSV_LOGS)
def test_csv_layouts(tmp_path: Path, name: str) -> None:
    data, instruments, more = CSV_LOGS[name]
    right(samples_of(campaign(tmp_path, {"a.csv": data}, instruments, more), tmp_path / "out"))


def test_two_kinds_of_csv_of_one_day_make_one_time_line(tmp_path: Path) -> None:
    wind = "\n".join(["t,awa,aws", *(f"{iso(now)},{v['awa']:.1f},{v['aws']:.1f}" for now, v in ticks())])
    boat = "\n".join(
        ["stamp|stw|h|roll", *(f"{unix(t):.0f}|{v['bsp']:.1f}|{v['hdg_mag']:.1f}|{v['heel']:.1f}" for t, v in ticks())]
    )
    more = (
        '[[csv]]\nfiles = "wind*.csv"\n[csv.columns]\ntime = "t"\nawa = "awa"\naws = "aws"\n'
        '[[csv]]\nfiles = "boat*.csv"\ndelimiter = "|"\ntime_format = "epoch_s"\n[csv.columns]\ntime = "stamp"\n'
        'bsp = "stw"\nhdg_mag = "h"\nheel = "roll"'
    )
    folder = campaign(tmp_path, {"wind1.csv": wind.encode(), "boat1.csv": boat.encode()}, more=more)
    right(samples_of(folder, tmp_path / "out"))


# --- tables ---------------------------------------------------------------------------------------------------------

RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


@pytest.fixture(scope="module")
def result(tmp_path_factory) -> Path:
    """The output folder of a run."""
    place = tmp_path_factory.mktemp("formats")
    assert main(["run", str(campaign(place, {"a.nmea": nmea()})), "--out", str(place / "out")]) == 0
    return place / "out"


@pytest.mark.parametrize("name", RESULT_TABLES)
def test_tables_as_csv_and_parquet(result: Path, name: str) -> None:
    wanted = TABLES[name].columns
    typed = pl.read_parquet(result / "tables" / f"{name}.parquet")
    text = pl.read_csv(result / "tables" / f"{name}.csv", infer_schema=False)
    assert typed.columns == text.columns and typed.height == text.height
    assert typed.columns[: len(wanted)] == list(wanted), "the columns of the format come first, in its order"
    for column, dtype in wanted.items():
        assert typed.schema[column] == (pl.Datetime("us", "UTC") if dtype == pl.Datetime("us") else dtype), column
    for column, dtype in typed.schema.items():
        if isinstance(dtype, pl.Datetime):
            assert all(RFC_3339.fullmatch(t) for t in text[column].drop_nulls()), column
        if dtype == pl.Boolean:
            assert set(text[column].drop_nulls()) <= {"true", "false"}, column
        if dtype.is_float():
            assert not typed[column].is_nan().any(), "missing is empty, not NaN"


def test_the_database_holds_the_samples_and_every_table(result: Path) -> None:
    with duckdb.connect(str(result / "season.duckdb"), read_only=True) as connection:
        names = {name for (name,) in connection.execute("SHOW TABLES").fetchall()}
        assert {"samples", *RESULT_TABLES} <= names
        columns = [name for name, *_ in connection.execute("DESCRIBE samples").fetchall()]
        for name in RESULT_TABLES:
            rows = connection.execute(f"SELECT count(*) FROM {name}").fetchone()
            assert rows == (pl.read_parquet(result / "tables" / f"{name}.parquet").height,)
    assert columns[:2] == ["time", "file_id"] and set(CHANNELS) <= set(columns)


def test_lines_are_all_accounted_for_and_the_time_line_has_no_gap(result: Path) -> None:
    files = pl.read_parquet(result / "tables" / "files.parquet")
    assert (files["used"] + files["passed_over"] + files["rejected"]).to_list() == files["lines"].to_list()
    segments = pl.read_parquet(result / "tables" / "segments.parquet")
    assert segments["sail_set"].to_list() == ["J1"]  # the entry after the last log changes nothing
    assert segments["start"][0].replace(tzinfo=None) == START


# --- check ----------------------------------------------------------------------------------------------------------


def test_check_tells_of_logs_and_of_what_people_wrote_together(tmp_path: Path, capsys) -> None:
    bad = "time,action,sail,note\nnoon,hoist,J1,\n2027-07-03T09:01:00Z,hoist,Z9,\n"
    folder = campaign(tmp_path, {"a.nmea": nmea(), "noise.bin": bytes(range(256)) * 40}, sail_log=bad)
    assert main(["check", str(folder)]) == 1
    said = capsys.readouterr().err
    for words in (
        "sail_log.csv, line 2: time 'noon'",
        "sail 'Z9' is not in boat.toml",
        "logs/noise.bin: holds no line",
    ):
        assert words in said, said
    assert "3 problems to put right" in said


def test_check_tells_of_a_named_column_that_is_not_there(tmp_path: Path, capsys) -> None:
    more = '[csv]\n[csv.columns]\ntime = "time"\nawa = "awa"\naws = "aws"\nbsp = "bsp"\nhdg_mag = "compass"'
    folder = campaign(tmp_path, {"a.csv": csv(iso)}, more=more)
    before = sorted(folder.rglob("*"))
    assert main(["check", str(folder)]) == 0
    assert "column 'compass' of hdg_mag is not in the file" in capsys.readouterr().out
    assert sorted(folder.rglob("*")) == before


def test_wind_missing_because_all_lines_were_rejected_says_so(tmp_path: Path, capsys) -> None:
    data = nmea().replace(b"*", b"*0")
    folder = campaign(tmp_path, {"a.nmea": data})
    assert main(["run", str(folder), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert "no apparent wind" in said and "lines were rejected, most for: " in said and "of a.nmea" in said

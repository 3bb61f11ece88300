"""What must hold for any bytes whatever: one function a reader, raising where a promise is broken.

Shared by the generated cases (`test_generated.py`) and the coverage-guided fuzzer (`fuzz.py`).
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.designed import read_designed
from pipeline.campaign.sail_log import ACTIONS, read_sail_log
from pipeline.campaign.settings import Boat, CsvColumn, CsvLayout
from pipeline.channels import BY_NAME
from pipeline.ingest.csv_logs import decode_csv
from pipeline.ingest.merge import merge_log
from pipeline.ingest.nmea0183 import decode_nmea
from pipeline.ingest.readings import DecodedLog
from pipeline.problems import Problem
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import tag_sail_sets

BOAT_TOML = """
[boat]
name = "Testboat"
loa_m = 12.0
[instruments]
wind_sensor_height_m = 18.0
time_zone = "Europe/Paris"
[sails.M]
kind = "mainsail"
area_m2 = 60.0
[sails.J1]
kind = "headsail"
station = "forestay"
area_m2 = 40.0
[sails.J2]
kind = "headsail"
station = "forestay"
area_m2 = 30.0
aliases = ["jib two"]
[sails.A2]
kind = "spinnaker"
station = "bowsprit"
area_m2 = 140.0
[[sail_sets]]
name = "J1"
sails = ["M", "J1"]
[[sail_sets]]
name = "A2"
sails = ["M", "A2"]
"""
LAYOUT = CsvLayout(
    columns=(
        CsvColumn("awa", "awa"),
        CsvColumn("aws", "aws", "m/s"),
        CsvColumn("bsp", "speed"),
        CsvColumn("hdg_mag", "heading"),
        CsvColumn("sog", "sog"),
    )
)


@cache
def boat() -> Boat:
    """The boat that the sail logs and charts are read for."""
    found, problems = parse_boat(BOAT_TOML.encode())
    assert found is not None, problems
    return found


def nmea(data: bytes) -> None:
    """A log of sentences: every line accounted for, every value possible, then placed on a clock."""
    _sound_log(decode_nmea(data, transducers={}, season=None), data)


def csv_log(data: bytes) -> None:
    """A CSV log; one whose head is not there may be refused with a sentence."""
    try:
        log = decode_csv(data, LAYOUT, time_zone="Europe/Paris", first_date=None)
    except ValueError as refused:
        assert str(refused)
        return
    _sound_log(log, data)


def _sound_log(log: DecodedLog, data: bytes) -> None:
    assert log.lines == log.used + log.passed_over + log.rejected.height
    assert log.lines <= len(data) + 1
    lines = log.rejected["line"]
    assert lines.is_unique().all() and lines.is_between(1, max(log.lines, 1)).all()
    for frame in log.readings.values():
        _sound_values(frame)
    if any(frame.height for frame in log.readings.values()) and log.dated:
        samples = merge_log(log, talkers={}).samples
        assert samples["time"].is_sorted() and samples["time"].is_unique().all()
        _sound_values(samples)


def _sound_values(frame: pl.DataFrame) -> None:
    for name in set(frame.columns) & set(BY_NAME):
        values = frame[name].drop_nulls().to_numpy()
        assert np.isfinite(values).all(), name


def sail_log(data: bytes) -> None:
    """A sail log: problems with their lines, and a time line without holes or overlaps out of what is left."""
    frame, problems = _of_file(data, lambda path: read_sail_log(path, boat()))
    _sound_problems(problems, data)
    assert frame["action"].is_in(ACTIONS).all()
    assert frame["time"].is_sorted()
    if frame.is_empty():
        return
    first = frame["time"][0]
    hour = pl.datetime_range(first, first.replace(microsecond=0), "1s", eager=True)
    times = pl.concat([frame["time"].head(200).unique().sort(), hour]).unique().sort()
    segments = tag_sail_sets(frame, boat(), find_sessions(times))
    starts, ends = segments["start"], segments["end"]
    assert (starts <= ends).all() and (starts[1:] >= ends[:-1]).all()


def boat_file(data: bytes) -> None:
    """A boat file: either a boat, every number of it finite, or a fatal problem; strict reading is no milder."""
    found, problems = parse_boat(data)
    _sound_problems(problems, data)
    assert (found is None) == any(p.fatal for p in problems)
    strict, more = parse_boat(data, strict=True)
    assert found is not None or strict is None
    assert len(more) >= len(problems)
    if found is not None:
        numbers = [found.loa_m, found.instruments.wind_sensor_height_m, *(s.rating_delta for s in found.sails.values())]
        assert all(math.isfinite(x) for x in numbers)
        assert all(code in found.sails for s in found.sail_sets for code in s.sails)


def designed(data: bytes) -> None:
    """A designed chart: every vertex inside the chart."""
    frame, problems = _of_file(data, lambda path: read_designed(path, boat()))
    _sound_problems(problems, data)
    assert frame["tws_kn"].is_between(0, 100).all() and frame["twa_deg"].is_between(0, 180).all()


def _of_file(data: bytes, read: Callable[[Path], tuple[pl.DataFrame, list[Problem]]]) -> tuple:
    with tempfile.NamedTemporaryFile(suffix=".csv") as file:
        file.write(data)
        file.flush()
        return read(Path(file.name))


def _sound_problems(problems: list[Problem], data: bytes) -> None:
    most = data.count(b"\n") + data.count(b"\r") + 1
    for problem in problems:
        assert problem.what.strip() and len(str(problem)) < 2000
        assert problem.line is None or 1 <= problem.line <= most


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    "nmea": nmea,
    "csv_log": csv_log,
    "sail_log": sail_log,
    "boat": boat_file,
    "designed": designed,
}

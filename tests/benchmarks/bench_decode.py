"""How fast NMEA 0183 logs are decoded, as ratios measured in one run. Not collected by pytest.

    python tests/benchmarks/bench_decode.py [MEGABYTES]

The input is recorded logs repeated, each repetition two hours later, so that time runs on. Three rates on it:

* `decode_nmea` (checksums, fields, clock, readings);
* pynmea2 parsing line by line, on a part of the same lines (it is much slower, and its rate does not depend on length);
* Polars reading the same bytes from a file as raw lines, nothing decoded, what the machine can do at best: with its
  reader of lines, and with its reader of CSV made to see one column, which is quicker still.

Wanted: at least 8 times pynmea2, at least 0.08 of Polars' raw lines, and a million lines a second on two cores. Other
work on the machine moves these figures by a factor of two.
"""

from __future__ import annotations

import functools
import gzip
import operator
import re
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pynmea2

from pipeline.ingest.nmea0183 import decode_nmea

RECORDED = Path(__file__).parents[1] / "data" / "recorded"
LOGS = ("yacht-instruments-2018.nmea.gz", "ocean-start-2008.nmea.gz", "coastal-2014.nmea.gz")
PYNMEA2_LINES = 40_000
REPEATS = 3


def input_of(name: str, size: int) -> bytes:
    """A recorded log repeated up to a size, the times in its sentences moved on by two hours each time."""
    lines = gzip.decompress((RECORDED / name).read_bytes()).decode("ascii").splitlines()
    timed = [i for i, line in enumerate(lines) if line[3:6] in ("RMC", "ZDA", "GGA", "GLL")]
    out, written, shift = [], 0, timedelta()
    while written < size:
        block = list(lines)
        for i in timed:
            block[i] = moved(lines[i], shift)
        out.append("\r\n".join(block) + "\r\n")
        written += len(out[-1])
        shift += timedelta(hours=2 if "coastal" not in name else 5)
    return "".join(out).encode("ascii")


def moved(sentence: str, shift: timedelta) -> str:
    """A sentence with its time (and date) moved and its checksum made anew; one without time as it is."""
    fields = sentence[1:].split("*")[0].split(",")
    kind = fields[0][2:]
    at = 5 if kind == "GLL" else 1
    if not re.fullmatch(r"\d{6}(\.\d+)?", fields[at]):
        return sentence
    day = datetime(2000, 1, 1)
    if kind == "RMC":
        day = datetime.strptime(fields[9], "%d%m%y")
    if kind == "ZDA" and fields[4]:
        day = datetime(int(fields[4]), int(fields[3]), int(fields[2]))
    t = day.replace(hour=int(fields[at][:2]), minute=int(fields[at][2:4]), second=int(fields[at][4:6])) + shift
    fields[at] = t.strftime("%H%M%S") + fields[at][6:]
    if kind == "RMC":
        fields[9] = t.strftime("%d%m%y")
    if kind == "ZDA" and fields[4]:
        fields[2:5] = t.strftime("%d,%m,%Y").split(",")
    body = ",".join(fields)
    return f"${body}*{functools.reduce(operator.xor, body.encode(), 0):02X}"


def best(task: Callable[[], object]) -> float:
    """The shortest time of a few runs."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return min(times)


def one_column(path: Path) -> pl.DataFrame:
    """Polars' quickest way to a column of raw lines."""
    return pl.read_csv(path, has_header=False, separator="\x01", quote_char=None, new_columns=["line"])


def with_pynmea2(lines: list[str]) -> int:
    """Parses line by line; what it refuses costs the same."""
    n = 0
    for line in lines:
        try:
            pynmea2.parse(line)
            n += 1
        except pynmea2.ParseError:
            pass
    return n


def main() -> None:
    size = (int(sys.argv[1]) if len(sys.argv) > 1 else 50) * 1_000_000
    print(f"{'log':24} {'lines':>9} {'lines/s':>10} {'x pynmea2':>10} {'of raw lines':>13} {'of one column':>14}")
    for name in LOGS:
        data = input_of(name, size)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "log.nmea"
            path.write_bytes(data)
            raw_s = best(lambda p=path: pl.read_lines(p))
            column_s = best(lambda p=path: one_column(p))
        lines = decode_nmea(data, transducers={}, season=None).lines
        ours_s = best(lambda d=data: decode_nmea(d, transducers={}, season=None))
        part = data[: PYNMEA2_LINES * 60].decode("ascii").splitlines()[:PYNMEA2_LINES]
        theirs_s = best(lambda p=part: with_pynmea2(p)) / len(part) * lines
        shown = name.split(".")[0]
        ratios = f"{theirs_s / ours_s:10.1f} {raw_s / ours_s:13.3f} {column_s / ours_s:14.3f}"
        print(f"{shown:24} {lines:9,} {lines / ours_s:10,.0f} {ratios}")


if __name__ == "__main__":
    main()

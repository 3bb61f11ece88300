"""Long logs for the benchmarks: recorded ones repeated, each repetition some hours later, so that time runs on."""

from __future__ import annotations

import functools
import gzip
import operator
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

RECORDED = Path(__file__).parents[1] / "data" / "recorded"
# By name, the hours from one repetition to the next, longer than the log itself.
LOGS = {"yacht-instruments-2018": 2, "ocean-start-2008": 5, "coastal-2014": 2}
_TIMED = ("RMC", "ZDA", "GGA", "GLL")


def repetitions(name: str) -> Iterator[bytes]:
    """A recorded log again and again, the times in its sentences moved on each time."""
    lines = gzip.decompress((RECORDED / f"{name}.nmea.gz").read_bytes()).decode("ascii").splitlines()
    timed = [i for i, line in enumerate(lines) if line[3:6] in _TIMED]
    shift = timedelta()
    while True:
        block = list(lines)
        for i in timed:
            block[i] = _moved(lines[i], shift)
        yield ("\r\n".join(block) + "\r\n").encode("ascii")
        shift += timedelta(hours=LOGS[name])


def write_long(path: Path, name: str, size: int) -> int:
    """Write a log of about `size` bytes; the number of its lines."""
    lines = written = 0
    with path.open("wb") as file:
        for block in repetitions(name):
            written += file.write(block)
            lines += block.count(b"\n")
            if written >= size:
                return lines
    return lines


def write_short(folder: Path, name: str, logs: int, lines: int) -> None:
    """Write logs of so many lines each, one day's following on the other's."""
    held: list[bytes] = []
    blocks = repetitions(name)
    for number in range(logs):
        while len(held) < lines:
            held += next(blocks).splitlines(keepends=True)
        (folder / f"log{number:03}.nmea").write_bytes(b"".join(held[:lines]))
        held = held[lines:]


def _moved(sentence: str, shift: timedelta) -> str:
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

"""However a log is cut, kept and worked on, the result is the same: pieces of any size, the disk, processes, gzip."""

import copy
import gzip
import multiprocessing
import operator
import random
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.campaign.settings import Boat, Instruments
from pipeline.ingest import log_files, spool
from pipeline.ingest.merge import merge_log
from pipeline.ingest.nmea0183 import decode_nmea, decode_pieces
from pipeline.ingest.read_log import Reading
from pipeline.ingest.scan import whole_lines
from pipeline.ingest.spool import Spool
from pipeline.ingest.workers import Workers

RECORDED = Path(__file__).parents[1] / "data" / "recorded"


def recorded(name: str, size: int = 60_000) -> bytes:
    path = RECORDED / name
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    return data[:size]


def damaged(data: bytes, seed: int) -> bytes:
    """Lines torn, cut, run together, stamped, without checksum; with an odd seed the second half comes first."""
    dice = random.Random(seed)
    out = []
    for line in data.splitlines(keepends=True):
        chance, at = dice.random(), dice.randrange(len(line))
        if chance < 0.03:
            line = line[:at]
        elif chance < 0.06:
            line = line[at:]
        elif chance < 0.08:
            line = line.rstrip() + b" " + line
        elif chance < 0.10:
            line = line[:at] + bytes([dice.randrange(256)]) + line[at + 1 :]
        elif chance < 0.13:
            line = line.split(b"*")[0] + b"\r\n"
        elif chance < 0.14:
            line = b"2018-08-20T10:00:00Z " + line
        out.append(line)
    half = len(out) // 2
    return b"".join(out[half:] + out[:half] if seed % 2 else out)


LOGS = {
    "instruments": recorded("yacht-instruments-2018.nmea.gz"),
    "instruments, damaged": damaged(recorded("yacht-instruments-2018.nmea.gz"), 2),
    "ocean": recorded("ocean-start-2008.nmea.gz"),
    "ocean, damaged, time goes back": damaged(recorded("ocean-start-2008.nmea.gz"), 3),
    "coastal, CR LF torn apart": recorded("coastal-2014.nmea.gz").replace(b"\r\n", b"\n", 300),
    "research ship, CR": damaged(recorded("research-gp02.nmea.gz"), 4).replace(b"\r\n", b"\r"),
}


@pytest.fixture(scope="module")
def workers():
    with Workers(2) as begun:
        begun.begin(wait=True)
        yield begun


def ingested(data: bytes, size: int, workers: Workers | None) -> tuple[object, ...]:
    """All that becomes of a log that comes in blocks of this size."""
    blocks = (data[at : at + size] for at in range(0, len(data), size))
    log = decode_pieces(
        whole_lines(blocks), lambda at, size: data[at : at + size], transducers={}, season=None, workers=workers
    )
    merged = merge_log(log, talkers={})
    counts = (log.lines, log.used, log.passed_over, log.dated, dict(log.counts), merged.rate_hz)
    batches = list(merged.batches())
    return counts, log.rejected, dict(log.readings), merged.flags, pl.concat(batches) if batches else None


@pytest.mark.parametrize("name", LOGS)
def test_pieces_disk_and_processes_change_nothing(name, workers, monkeypatch):
    data = LOGS[name]
    whole = ingested(data, len(data), None)
    monkeypatch.setattr(spool, "KEPT_BYTES", 0)
    for size, helped in ((2_500, workers), (39_999, None)):
        parts = ingested(data, size, helped)
        assert parts[0] == whole[0]
        assert_frame_equal(parts[1], whole[1])
        assert list(parts[2]) == list(whole[2])
        for group, frame in whole[2].items():
            assert_frame_equal(parts[2][group], frame)
        assert_frame_equal(parts[3], whole[3])
        assert_frame_equal(parts[4], whole[4], check_exact=True)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([b"a", b"\r", b"\n", b"\r\n", b"bcd"]), max_size=30), st.integers(1, 9))
def test_blocks_are_cut_anew_at_line_ends(parts, size):
    data = b"".join(parts)
    pieces = list(whole_lines(data[at : at + size] for at in range(0, len(data), size)))
    assert b"".join(pieces) == data
    for piece, behind in pairwise(pieces):
        assert piece.endswith((b"\n", b"\r"))
        assert not (piece.endswith(b"\r") and behind.startswith(b"\n"))
    lines = sum(len(piece.splitlines()) for piece in pieces)
    assert lines == len(data.splitlines())


def test_a_line_longer_than_many_blocks_is_one_piece():
    data = b"$" + b"x" * 5000 + b"\n" + b"$y\n"
    pieces = list(whole_lines(data[at : at + 100] for at in range(0, len(data), 100)))
    assert [len(p) for p in pieces] in ([5002, 3], [5005])


@pytest.mark.parametrize("name", ["instruments, damaged", "ocean, damaged, time goes back"])
def test_packed_files_read_in_blocks_are_the_same_log(name, tmp_path, monkeypatch):
    data = LOGS[name]
    half = data.find(b"\n", len(data) // 2) + 1
    files = {
        "plain.nmea": data,
        "packed.nmea.gz": gzip.compress(data),
        "two-members.gz": gzip.compress(data[:half]) + gzip.compress(data[half:]),
        "utf16.nmea": b"\xff\xfe" + data.decode("latin-1").encode("utf-16-le"),
    }
    whole = decode_nmea(data, transducers={}, season=None)
    monkeypatch.setattr(log_files, "BLOCK_BYTES", 5_000)
    reading = Reading(Boat("Sandpiper", 13.2, Instruments(20.5)), tmp_path)
    for file, content in files.items():
        (tmp_path / file).write_bytes(content)
        found = reading.read(tmp_path / file, file)
        assert found.decoded is not None
        assert (found.decoded.lines, found.decoded.used) == (whole.lines, whole.used)
        if not file.startswith("utf16"):  # what is no ASCII shows otherwise there
            assert_frame_equal(found.decoded.rejected, whole.rejected)
        for group, frame in whole.readings.items():
            assert_frame_equal(found.decoded.readings[group], frame)


@dataclass(slots=True)
class Item:
    number: int
    values: np.ndarray = field(default_factory=lambda: np.arange(3))


@pytest.mark.parametrize("kept", [0, 150, 10_000])
def test_what_is_kept_on_the_disk_comes_back(kept, tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "KEPT_BYTES", kept)
    items: Spool[Item] = Spool(tmp_path)
    for number in range(20):
        items.append(Item(number), 100)
    assert len(items) == 20
    assert items.is_in_memory == (kept == 10_000)
    assert [item.number for item in items] == list(range(20))
    assert items[-1].number == 19 and items[4].values.tolist() == [0, 1, 2]
    assert list(tmp_path.iterdir()) == []
    items.close()


def test_what_is_kept_on_the_disk_goes_to_another_process_and_back(workers, tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "KEPT_BYTES", 150)
    items: Spool[np.ndarray] = Spool(tmp_path)
    for number in range(3):
        items.append(np.arange(number), 100)
    (back,) = workers.in_order(copy.copy, [items])
    assert not items.is_in_memory and back.is_in_memory
    assert [item.tolist() for item in back] == [[], [0], [0, 1]]


def test_results_come_in_order_and_an_error_is_raised(workers):
    twice, into_60 = partial(operator.mul, 2), partial(operator.floordiv, 60)
    assert list(workers.in_order(twice, range(50))) == list(range(0, 100, 2))
    with pytest.raises(ZeroDivisionError):
        list(workers.in_order(into_60, [5, 4, 3, 0, 2, 1]))
    assert list(workers.in_order(twice, range(3))) == [0, 2, 4]


def test_where_the_system_has_no_room_for_processes_the_work_is_done_here(monkeypatch):
    def full(count):
        raise OSError("no room")

    monkeypatch.setattr("pipeline.ingest.workers.fresh_processes", full)
    with Workers(2) as workers:
        workers.begin(wait=True)
        assert list(workers.in_order(partial(operator.mul, 2), range(5))) == [0, 2, 4, 6, 8]


def test_where_no_process_has_begun_or_they_died_the_work_is_done_here():
    twice = partial(operator.mul, 2)
    with Workers(2) as workers:
        assert list(workers.in_order(twice, range(5))) == [0, 2, 4, 6, 8]
        others = multiprocessing.active_children()
        workers.begin(wait=True)
        for child in set(multiprocessing.active_children()) - set(others):
            child.kill()
        assert list(workers.in_order(twice, range(50))) == list(range(0, 100, 2))
        assert list(workers.in_order(twice, range(5))) == [0, 2, 4, 6, 8]

"""Stamps and TAG blocks. Sources: RFC 3339's examples; gpsd `www/AIVDM.adoc`, "NMEA Tag Blocks"; pyais test suite."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.ingest import stamps
from pipeline.ingest.clock import NO_TIME
from pipeline.ingest.scan import Text


def read(front: str) -> tuple[datetime | None, datetime | None, int]:
    data = front.encode()
    got = stamps.read_fronts(Text.of(data), np.array([0]), np.array([len(data)]))
    times = [None if t == NO_TIME else datetime.fromtimestamp(t / 1e6, UTC) for t in (got.stamp_us[0], got.tag_us[0])]
    return times[0], times[1], int(got.state[0])


def at(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


@pytest.mark.parametrize("behind", [" ", "\t", ",", ";", ", ", "", ":", ": ", " - ", " | ", "=", "> "])
@pytest.mark.parametrize(
    ("stamp", "expected"),
    [
        ("1985-04-12T23:20:50.52Z", at(1985, 4, 12, 23, 20, 50, 520000)),  # RFC 3339, section 5.8
        ("1996-12-19T16:39:57-08:00", at(1996, 12, 20, 0, 39, 57)),  # the same
        ("1990-12-31T23:59:60Z", at(1991, 1, 1)),  # the same: a leap second; the clock here has none
        ("1990-12-31T15:59:60-08:00", at(1991, 1, 1)),  # the same
        ("2027-06-12 10:00:00", at(2027, 6, 12, 10)),  # without a zone: UTC
        ("2027-06-12t10:00:00z", at(2027, 6, 12, 10)),
        ("2027-06-12T10:00:00.1234567Z", at(2027, 6, 12, 10, 0, 0, 123456)),
        ("2027-06-12T10:00:00+0530", at(2027, 6, 12, 4, 30)),
        ("2027-06-12,10:00:00", at(2027, 6, 12, 10)),
        ("1709251199", at(2024, 2, 29, 23, 59, 59)),  # check: Python's datetime
        ("1709251199.25", at(2024, 2, 29, 23, 59, 59, 250000)),
        ("1709251199500", at(2024, 2, 29, 23, 59, 59, 500000)),
        ("1554595200", at(2019, 4, 7)),
    ],
)
def test_stamps(stamp: str, behind: str, expected: datetime) -> None:
    time, tag, state = read(stamp + behind)
    assert tag is None
    assert state == stamps.FINE
    assert abs((time - expected).total_seconds()) < 1.5e-6


def test_rfc_3339_example_with_an_odd_zone() -> None:
    # RFC 3339, section 5.8: 20 minutes east, and before 1970.
    data = b"1937-01-01T12:00:27.87+00:20 "
    got = stamps.read_fronts(Text.of(data), np.array([0]), np.array([len(data)]))
    expected = (datetime(1937, 1, 1, 11, 40, 27, 870000) - datetime(1970, 1, 1)).total_seconds()
    assert got.stamp_us[0] == round(expected * 1e6)


@pytest.mark.parametrize(
    "stamp",
    [
        "2027-02-29T10:00:00Z ",
        "2027-13-01T10:00:00Z ",
        "2027-06-12T24:00:00Z ",
        "2027-06-12T10:60:00Z ",
        "2027-06-12T10:00:61Z ",
        "2027-06-12T10:0x:00Z ",
        "2027-06-12T10:00:00+99:00 ",
        "999999999999999999 ",
        "2027-06-12 ",
    ],
)
def test_impossible_and_unreadable_stamps_give_no_time(stamp: str) -> None:
    time, _, state = read(stamp)
    assert time is None
    assert state in (stamps.BAD_STAMP, stamps.FOREIGN)
    assert state == stamps.BAD_STAMP or not stamp.startswith("2027")


@pytest.mark.parametrize("text", ["port A: ", "> "])
def test_other_text_is_told_apart(text: str) -> None:
    assert read(text)[0] is None
    assert read("  \t")[2] == stamps.FINE


@pytest.mark.parametrize(
    ("block", "expected"),
    [
        (r"\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A" + "\\", at(2009, 5, 5, 17, 20, 35)),  # gpsd
        (r"\s:2573535,c:1671533231*08" + "\\", at(2022, 12, 20, 10, 47, 11)),  # pyais
        (r"\s:2573545,c:1671533231*0F" + "\\", at(2022, 12, 20, 10, 47, 11)),  # pyais
        (r"\s:II0001,c:1709251199*35" + "\\", at(2024, 2, 29, 23, 59, 59)),  # own, sum by calculation
        (r"\s:II0001,c:1709251199500,n:12*7B" + "\\", at(2024, 2, 29, 23, 59, 59, 500000)),  # own
        (r"\s:II0001,c:1709251199500,n:12*7b" + "\\", at(2024, 2, 29, 23, 59, 59, 500000)),
    ],
)
def test_tag_blocks(block: str, expected: datetime) -> None:
    assert read(block) == (None, expected, stamps.FINE)
    stamp, tag, state = read("2027-06-12T10:00:00Z " + block)
    assert (stamp, tag, state) == (at(2027, 6, 12, 10), expected, stamps.FINE)


def test_two_blocks_in_front_of_one_sentence() -> None:
    assert read("\\g:1-2-3*58\\\\s:II0001,c:1709251199*35\\")[1] == at(2024, 2, 29, 23, 59, 59)


@pytest.mark.parametrize(
    ("block", "state"),
    [
        ("\\s:satelite,c:1564827317*49\\", stamps.BAD_TAG_SUM),  # adrianmo/go-nmea tagblock_test.go: 25, not 49
        ("\\s:II0001,c:1709251199\\", stamps.BAD_TAG_SUM),
        ("\\s:II0001,c:1709251199*35", stamps.CUT_TAG),
        ("\\", stamps.CUT_TAG),
        ("\\\\", stamps.BAD_TAG_SUM),
    ],
)
def test_damaged_blocks_give_no_time(block: str, state: int) -> None:
    assert read(block) == (None, None, state)

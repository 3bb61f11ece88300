"""The sail log as crews write it, and times in it."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.sail_log import SAIL_LOG_SCHEMA, read_sail_log
from pipeline.campaign.stamps import BadStamp, load_zone, parse_stamp

TEXT = (Path(__file__).parent.parent / "data" / "sandpiper.toml").read_bytes()
BOAT, _ = parse_boat(TEXT)
HEAD = "time,action,sail,note\n"


def read(tmp_path, text, boat=BOAT, **options):
    path = tmp_path / "sail_log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_sail_log(path, boat, **options)


def test_entries_are_sorted_and_understood_by_code_and_alias(tmp_path):
    frame, problems = read(
        tmp_path,
        b"\xef\xbb\xbf"
        + (
            b"note,Sail,ACTION,who,time\r\n"
            b'"peel, wet",small  gennaker,Hoist,bow,2027-06-12T10:00:00Z\r\n'
            b",mn BIG jib ST,flying,,2027-06-12 09:00\r\n"
            b"\r\n"
            b",G2+ST,drop,,2027-06-12T11:00:00+02:00\r\n"
            b",,reef,,2027-06-12T12:00:00.5z\r\n"
        ),
    )
    assert problems == []
    assert dict(frame.schema) == SAIL_LOG_SCHEMA
    assert frame["time"].to_list() == [
        datetime(2027, 6, 12, 9),
        datetime(2027, 6, 12, 9),
        datetime(2027, 6, 12, 10),
        datetime(2027, 6, 12, 12, 0, 0, 500_000),
    ]
    assert frame["codes"].to_list() == [["MN", "J1", "ST"], ["G2", "ST"], ["G2"], ["MN"]]
    assert frame["line"].to_list() == [3, 5, 2, 6]
    assert frame["note"].to_list()[2] == "peel, wet"


def test_an_unknown_sail_is_fatal_only_for_the_check(tmp_path):
    text = HEAD + "2027-06-12T10:00:00Z,hoist,Genaker 2,\n"
    frame, problems = read(tmp_path, text)
    assert frame["codes"].to_list() == [None]
    assert not problems[0].fatal and problems[0].line == 2 and "Did you mean" in problems[0].what
    assert read(tmp_path, text, strict=True)[1][0].fatal


def test_one_unknown_sail_among_known_ones_is_named(tmp_path):
    _, problems = read(tmp_path, HEAD + "2027-06-12T10:00:00Z,flying,MN J1 XX,\n")
    assert "'XX'" in problems[0].what


def test_an_entry_given_twice_counts_once(tmp_path):
    row = "2027-06-12T10:00:00Z,hoist,{},\n"
    frame, problems = read(tmp_path, HEAD + row.format("J1") + row.format("jib 1") + row.format("J1"))
    assert frame.height == 1
    assert [(p.line, p.fatal) for p in problems] == [(3, False), (4, False)]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2027-06-12T10:00:00Z,hoisted,J1,", "Did you mean 'hoist'"),
        ("2027-06-12T10:00:00Z,,J1,", "action is missing"),
        ("2027-06-12T10:00:00Z,hoist,,", "names no sail"),
        ("12/06/2027 10:00,hoist,J1,", "cannot be read"),
        ("2027-02-29T10:00:00Z,hoist,J1,", "no time of the calendar"),
        (",hoist,J1,", "time is missing"),
    ],
)
def test_an_entry_that_cannot_be_used_is_fatal_with_its_line(tmp_path, row, words):
    _, problems = read(tmp_path, HEAD + row + "\n")
    assert [(p.line, p.fatal) for p in problems] == [(2, True)]
    assert words in problems[0].what


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"time;action;sail;note\n2027-06-12T10:00:00Z;hoist;J1;\n", "semicolons"),
        (b"time\taction\tsail\tnote\n", "tabs"),
        (b"2027-06-12T10:00:00Z,hoist,J1,\n", "no header"),
        (bytes(range(256)) * 4, "binary"),
        (b'time,action,sail,note\n2027-06-12T10:00:00Z,hoist,"J1,\n', "quotation mark"),
    ],
)
def test_a_log_that_cannot_be_parsed_gets_one_sentence(tmp_path, data, words):
    frame, problems = read(tmp_path, data)
    assert frame.is_empty()
    assert len(problems) == 1 and problems[0].fatal and words in problems[0].what


def test_notes_in_another_encoding_are_read_with_a_warning(tmp_path):
    frame, problems = read(tmp_path, HEAD.encode() + "2027-06-12T10:00:00Z,hoist,J1,größer\n".encode("cp1252"))
    assert frame["note"].to_list() == ["größer"]
    assert [(p.line, p.fatal) for p in problems] == [(2, False)]


def test_local_times_that_do_not_exist_or_exist_twice_are_errors(tmp_path):
    boat, _ = parse_boat(TEXT.replace(b'"UTC"', b'"Europe/Paris"'))
    rows = "2027-03-28T02:30,hoist,J1,\n2027-10-31T02:30,hoist,J2,\n"
    rows += "2027-10-31T02:30+01:00,hoist,ST,\n2027-06-12T10:00,drop,J1,\n"
    frame, problems = read(tmp_path, HEAD + rows, boat)
    assert [(p.line, p.fatal) for p in problems] == [(2, True), (3, True)]
    assert "does not exist" in problems[0].what and "exists twice" in problems[1].what
    assert "2027-10-31T00:30:00Z or 2027-10-31T01:30:00Z" in problems[1].what
    assert frame["time"].to_list() == [datetime(2027, 6, 12, 8), datetime(2027, 10, 31, 1, 30)]


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # Examples of RFC 3339, section 5.8; a leap second is the first of the next minute.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000)),
        ("2027-06-12t10:00:00z", datetime(2027, 6, 12, 10)),
    ],
)
def test_published_stamps(text, utc):
    assert parse_stamp(text, UTC) == utc


@pytest.mark.parametrize("text", ["9999-12-31T23:59:60Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00"])
@pytest.mark.parametrize("zone", [UTC, load_zone("Europe/Paris")], ids=str)
def test_the_ends_of_time_are_no_times(text, zone):
    for stamp in (text, text[:19]):
        with pytest.raises(BadStamp, match="out of the range"):
            parse_stamp(stamp, zone)


@given(st.text(max_size=30))
def test_no_text_breaks_the_reading_of_times(text):
    try:
        parse_stamp(text, UTC)
    except BadStamp as e:
        assert str(e)
    zone = load_zone(text)
    assert zone is None or zone.utcoffset(datetime(2027, 1, 1)) is not None


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_no_text_breaks_the_reading_of_the_log(tmp_path_factory, data, with_header):
    path = tmp_path_factory.mktemp("log") / "sail_log.csv"
    path.write_bytes(HEAD.encode() + data if with_header else data)
    frame, problems = read_sail_log(path, BOAT)
    assert with_header or not frame.is_empty() or problems
    assert dict(frame.schema) == SAIL_LOG_SCHEMA

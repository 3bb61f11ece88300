"""Framing: lines, sentences, checksums. Rules: ntpsec/gpsd `www/NMEA.adoc`, "NMEA Encoding Conventions"."""

import dataclasses
import functools
import operator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest import scan
from pipeline.ingest.scan import SUM_CUT, SUM_MISSING, SUM_OK, SUM_WRONG, Text, cut_at_line_ends, frame, lines_of

LINE_SOUP = st.lists(st.sampled_from([b"\n", b"\r\n", b"\r", b"a", b"$GP", b"*00", b"!", b"#"])).map(b"".join)


def lines(data: bytes) -> list[bytes]:
    start, end = lines_of(Text.of(data))
    return [data[a:b] for a, b in zip(start, end, strict=True)]


@pytest.mark.parametrize("data", [b"", b"\n", b"a", b"a\n", b"a\r\nb\nc\rd", b"\r\r\n", b"\n\r", b"a\r\n\r\nb\r"])
def test_lines_end_as_python_says(data: bytes) -> None:
    assert lines(data) == data.splitlines()


@given(LINE_SOUP)
def test_lines_of_any_mixture_end_as_python_says(data: bytes) -> None:
    assert lines(data) == data.splitlines()


@given(LINE_SOUP, st.integers(1, 9))
def test_cutting_into_pieces_loses_and_adds_no_line(data: bytes, size: int) -> None:
    pieces = [data[a:b] for a, b in cut_at_line_ends(data, size)]
    assert b"".join(pieces) == data
    assert [line for piece in pieces for line in lines(piece)] == data.splitlines()


@given(LINE_SOUP, st.integers(1, 30))
def test_the_size_of_the_blocks_does_not_matter(data: bytes, size: int) -> None:
    whole = frame(Text.of(data))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "BLOCK_BYTES", size)
        blocks = frame(Text.of(data))
    for f in dataclasses.fields(scan.Frame):
        np.testing.assert_array_equal(getattr(blocks, f.name), getattr(whole, f.name))


@given(st.binary(max_size=80), st.integers(0, 80), st.integers(0, 80))
def test_xor_is_that_of_the_bytes_one_by_one(data: bytes, a: int, b: int) -> None:
    a, b = sorted((min(a, len(data)), min(b, len(data))))
    expected = functools.reduce(operator.xor, data[a:b], 0)
    assert Text.of(data).xor(np.array([a]), np.array([b])).tolist() == [expected]


@given(st.binary(max_size=60), st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=5))
def test_strings_are_the_pieces(data: bytes, pairs: list[tuple[int, int]]) -> None:
    spans = [tuple(sorted((min(a, len(data)), min(b, len(data))))) for a, b in pairs]
    start, end = (np.array([s[k] for s in spans], np.int64) for k in (0, 1))
    shown = bytes(c if c < 128 else ord("?") for c in data).decode()
    assert Text.of(data).strings(start, end).to_list() == [shown[a:b] for a, b in spans]


def test_checksum_states() -> None:
    # $GPHDT,274.07,T*03 is from the gpsd notes; lower-case digits are common practice, no source.
    data = b"$GPHDT,274.07,T*03\n$GPHDT,274.08,T*03\n$GPHDT,274.07,T\n$GPHDT,274.07,T*0\n$GPHDT,1,T*\n$GPHDT,1,T*0G\n"
    assert frame(Text.of(data)).checksum.tolist() == [SUM_OK, SUM_WRONG, SUM_MISSING, SUM_CUT, SUM_CUT, SUM_CUT]
    lower = b"$IIVWR,024,L,018,N,,,,*5e\n"  # from SignalK/nmea0183-signalk test/VWR.ts
    assert frame(Text.of(lower + lower.replace(b"5e", b"5E"))).checksum.tolist() == [SUM_OK, SUM_OK]


def test_several_sentences_in_a_line_and_none_in_a_comment() -> None:
    data = b"  # $GPHDT,1,T*00\nx$GPHDT,274.07,T*03 !AIVDM,1*00\n$1,$\n"
    found = frame(Text.of(data))
    assert found.comment.tolist() == [True, False, False]
    assert found.sentences.tolist() == [0, 2, 1]
    assert [data[a:b] for a, b in zip(found.start, found.end, strict=True)] == [
        b"$GPHDT,274.07,T*03",
        b"!AIVDM,1*00",
        b"$1,$",
    ]
    assert [data[a:b] for a, b in zip(found.front, found.start, strict=True)] == [b"x", b" ", b""]

"""Bytes that look like what the readers read: sound lines, and the ways in which files get broken."""

from __future__ import annotations

import functools
import operator

from hypothesis import strategies as st

from tests.fuzzing.targets import BOAT_TOML

Bytes = st.SearchStrategy[bytes]

_NUMBERS = st.one_of(
    st.sampled_from(["", "0", "-0", "0.0", "12.5", "359.9", "360", "-180", "999999999", "1e5", "1e999", "nan", "inf"]),
    st.floats(-400, 400).map(lambda x: f"{x:.3f}"),
    st.integers(-(10**6), 10**20).map(str),
)
_CLOCK = st.sampled_from(["", "000000", "120000", "120001.5", "235959.99", "240000", "126060", "99", "1200", "noon"])
_DATES = st.sampled_from(["", "120627", "310227", "290227", "290228", "000000", "010100", "311299", "1206", "120680"])
_FLAGS = st.sampled_from(["A", "V", "", "R", "T", "N", "K", "M", "D", "E", "W", "AA"])
_POSITIONS = st.sampled_from(["", "4807.038", "0000.000", "9000.0", "9100.0", "4899.999", "-100", "01131.000", "18000"])
_BODIES = st.one_of(
    st.tuples(st.just("IIMWV"), _NUMBERS, _FLAGS, _NUMBERS, _FLAGS, _FLAGS),
    st.tuples(st.just("IIVHW"), _NUMBERS, _FLAGS, _NUMBERS, _FLAGS, _NUMBERS, _FLAGS, _NUMBERS, _FLAGS),
    st.tuples(st.just("HCHDG"), _NUMBERS, _NUMBERS, _FLAGS, _NUMBERS, _FLAGS),
    st.tuples(
        st.just("GPRMC"),
        *(_CLOCK, _FLAGS, _POSITIONS, st.sampled_from("NS"), _POSITIONS, st.sampled_from("EW")),
        *(_NUMBERS, _NUMBERS, _DATES, _NUMBERS, _FLAGS),
    ),
    st.tuples(st.just("GPZDA"), _CLOCK, *(st.sampled_from(["", "12", "31", "00", "2027", "0"]) for _ in range(3))),
    st.tuples(st.just("IIXDR"), _FLAGS, _NUMBERS, _FLAGS, st.sampled_from(["HEEL", "PTCH", "", "ROLL"])),
    st.lists(st.sampled_from(["IIMWV", "GPRMC", "1", "", "A", "\x00", "é"]), min_size=1, max_size=14).map(tuple),
)
_STAMPS = st.sampled_from(["", "", "2027-06-12T12:00:00Z ", "2027-06-12T12:00:01.5+02:00 ", "1812801600 ", "2027 "])
_TAGS = st.sampled_from(["", "", "", "\\c:1812801600*5A\\", "\\s:a,c:1812801600000\\", "\\c:x*00\\", "\\"])


def _with_sum(body: str, kind: int) -> str:
    total = functools.reduce(operator.xor, body.encode("utf-8"), 0)
    ends = (f"*{total:02X}", f"*{total:02x}", "", f"*{total ^ 1:02X}", "*", f"*{total:X}", "*ZZ", f"*{total:02X},7")
    return body + ends[kind]


@st.composite
def _sentence(draw: st.DrawFn) -> bytes:
    if draw(st.booleans()):
        second, a, b = draw(st.integers(0, 59)), draw(st.integers(0, 359)), draw(st.integers(0, 30))
        body = draw(st.sampled_from([f"IIMWV,{a},R,{b},N,A", f"IIVHW,,,{a},M,{b},N,,", f"HCHDG,{a},,,,"]))
        return f"2027-06-12T12:00:{second:02d}Z ${_with_sum(body, 0)}".encode()
    body = ",".join(draw(_BODIES))
    kind = draw(st.integers(0, 15))
    end = _with_sum(body, kind if kind < 8 else 0)
    return (draw(_STAMPS) + draw(_TAGS) + draw(st.sampled_from("$$$$!")) + end).encode()


_ENDS = st.sampled_from([b"\r\n", b"\n", b"\r", b"\r\r\n", b"", b"\x00\n", b"\n\n"])


@st.composite
def _broken(draw: st.DrawFn, data: bytes) -> bytes:
    """Nothing, or one of the breaks that files suffer: torn, spliced, a flipped byte, doubled, another encoding."""
    way = draw(st.integers(0, 9))
    at = draw(st.integers(0, max(len(data), 1)))
    if way == 1:
        return data[:at]
    if way == 2:
        return data[at:]
    if way == 3:
        other = draw(st.integers(0, max(len(data), 1)))
        return data[:at] + data[other:]
    if way == 4 and data:
        flipped = bytearray(data)
        flipped[at % len(data)] ^= 1 << draw(st.integers(0, 7))
        return bytes(flipped)
    if way == 5:
        return data[:at] + draw(st.binary(max_size=40)) + data[at:]
    if way == 6:
        return data + data
    if way == 7:
        text = data.decode("utf-8", "replace")
        return text.encode(draw(st.sampled_from(["utf-16", "utf-16-le", "utf-8-sig", "cp1252"])), "replace")
    return data


def _lines(line: Bytes, most: int = 20) -> Bytes:
    rows = st.lists(st.tuples(line, _ENDS), max_size=most).map(lambda rows: b"".join(a + b for a, b in rows))
    return rows.flatmap(_broken)


_CELLS = st.one_of(
    _NUMBERS,
    st.sampled_from(
        [
            "2027-06-12T12:00:00Z",
            "2027-06-12 14:00:00",
            "2027-10-31T02:30:00",
            "2027-03-28T02:30:00",
            "0001-01-01T00:00:00+14:00",
            "9999-12-31T23:59:59Z",
            "12:00:00",
            "1812801600",
            "hoist",
            "drop",
            "flying",
            "reef",
            "shake",
            "J1",
            "J2",
            "A2",
            "jib two",
            "M J1",
            "nothing",
            "=cmd|' /C calc'!A0",
            '"a ""quoted"" one"',
            '"torn',
            "<b>",
            "\u202eJ1",
            "'; DROP TABLE windows; --",
            "x" * 5000,
        ]
    ),
    st.text(max_size=12),
)


_GOOD_TIMES = st.integers(0, 7200).map(lambda t: f"2027-06-12T{10 + t // 3600}:{t // 60 % 60:02d}:{t % 60:02d}Z")
_ANGLES = st.integers(0, 180).map(str)
_SMALL = st.integers(0, 30).map(str)


@st.composite
def _rows(draw: st.DrawFn, header: str, *good: st.SearchStrategy[str]) -> bytes:
    """A table whose cells are mostly sound, below a heading that mostly is."""
    seldom = st.integers(0, 12)

    def row() -> str:
        cells = [draw(_CELLS if draw(seldom) == 12 else column) for column in good]
        odd = draw(seldom)
        return ",".join(cells[:-1] if odd == 11 else [*cells, "more"] if odd == 12 else cells)

    heads = (header, header.upper(), header.replace(",", ";"), "", header.rpartition(",")[0])
    head = heads[max(draw(seldom) - 8, 0)]
    end = draw(st.sampled_from(["\n", "\r\n"]))
    text = end.join([head, *(row() for _ in range(draw(st.integers(0, 12))))])
    return draw(_broken(text.encode("utf-8", "replace")))


_TOML_LINES = BOAT_TOML.strip().splitlines()
_TOML_VALUES = st.one_of(
    st.sampled_from(["nan", "inf", "-inf", "1e999", "-1", "0", "true", "[]", "{}", '""', "'x'", "2027-02-30"]),
    st.sampled_from(["1979-05-27T07:32:00Z", "07:32:00", "[" * 40 + "]" * 40, "[" * 3000, "{a={a={a=1}}}"]),
    st.sampled_from(["9" * 400, "0x7f", '"""\n[boat]\n"""', "[\n1,\n[2]]", '"\\u0000"', '"M"', '["M", "J1", "J1"]']),
)


@st.composite
def _toml_line(draw: st.DrawFn, line: str) -> str:
    way = draw(st.integers(0, 6))
    key, equals, _ = line.partition(" = ")
    if way < 3 and equals:
        return f"{key} = {draw(_TOML_VALUES)}"
    if way == 3:
        return f"{draw(st.text(max_size=8))} = {draw(_TOML_VALUES)}"
    if way == 4:
        return ""
    if way == 5:
        return draw(st.sampled_from(_TOML_LINES))
    return f"{line}  # {draw(st.text(max_size=8))}"


@st.composite
def _boat_file(draw: st.DrawFn) -> bytes:
    """The boat's own file with some lines changed, left out, doubled."""
    lines = list(_TOML_LINES)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        lines[at] = draw(_toml_line(lines[at]))
    return draw(_broken(("\n".join(lines) + "\n").encode("utf-8", "replace")))


_ACTIONS = st.sampled_from(["hoist", "drop", "furl", "unfurl", "reef", "shake", "flying"])
_SAILS = st.sampled_from(["M", "J1", "J2", "A2", "jib two", "M J1", ""])
INPUTS: dict[str, Bytes] = {
    "nmea": _lines(_sentence()),
    "csv_log": _rows("time,awa,aws,speed,heading,sog", _GOOD_TIMES, _ANGLES, *[_SMALL] * 4),
    "sail_log": _rows("time,action,sail,note", _GOOD_TIMES, _ACTIONS, _SAILS, st.just("")),
    "boat": _boat_file(),
    "designed": _rows("sail_set,part,tws_kn,twa_deg", st.sampled_from(["J1", "A2"]), _SMALL, _SMALL, _ANGLES),
}

"""CSV logs: layouts, stamps, units, damaged lines, and the account of every line."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.settings import CsvColumn, CsvLayout
from pipeline.ingest import csv_lines
from pipeline.ingest.csv_logs import decode_csv, recognises

PLAIN = CsvLayout()


def layout(**changes):
    return CsvLayout(**changes)


def values(log, group, channel):
    return log.readings[group][channel].to_list()


def stamp_of(text, time_format="auto", zone="UTC", first_date=None, sep=","):
    data = f"time{sep}bsp\n{text}{sep}5\n".encode()
    log = decode_csv(data, layout(delimiter=sep, time_format=time_format), time_zone=zone, first_date=first_date)
    if log.rejected.height:
        return log.rejected["reason"][0]
    return log.readings["water_speed"]["time"][0]


def balanced(log):
    return log.used + log.passed_over + log.rejected.height == log.lines


def test_headings_that_are_channels_are_taken_and_others_passed_over_and_noted():
    log = decode_csv(b"Time,BSP,awa,AWS,mood\n2027-06-12T12:00:00Z,7.1,-32.5,14,fine\n", PLAIN, time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [7.1]
    assert log.readings["apparent_wind"].row(0) == (datetime(2027, 6, 12, 12), "csv", -32.5, 14.0)
    assert log.counts == {"column 'mood' passed over": 1}
    assert (log.lines, log.used, log.passed_over, log.rejected.height) == (2, 1, 1, 0)
    assert log.dated


def test_the_layout_of_the_formats_page():
    data = b"when;log m/s;wind angle\r\n2027-06-12T12:00:00Z;3.5;200\r\n"
    columns = (CsvColumn("time", "when"), CsvColumn("bsp", "log m/s", "m/s"), CsvColumn("awa", "wind angle"))
    log = decode_csv(data, layout(delimiter=";", columns=columns), time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [pytest.approx(3.5 * 3600 / 1852, rel=1e-14)]  # 1 nm = 1852 m exactly
    assert values(log, "apparent_wind", "awa") == [-160.0]


def test_units_row_holds_where_no_unit_is_declared():
    data = b"time;bsp;aws;water_temp;heel\n;km/h;knots;[\xc2\xb0F];rad\n2027-06-12 12:00:00;18,52;10;50;0,5\n"
    log = decode_csv(data, layout(delimiter=";", decimal=",", units_row=True), time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [pytest.approx(10.0)]
    assert values(log, "apparent_wind", "aws") == [10.0]
    assert values(log, "water_temp", "water_temp") == [pytest.approx(10.0)]
    assert values(log, "heel", "heel") == [pytest.approx(28.64788975654116)]  # 0.5 rad
    assert log.passed_over == 2


def test_a_declared_unit_wins_over_the_units_row():
    columns = (CsvColumn("bsp", "speed", "kn"),)
    data = b"time,speed\n,m/s\n2027-06-12T12:00:00Z,6\n"
    log = decode_csv(data, layout(units_row=True, columns=columns), time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [6.0]


@pytest.mark.parametrize(("unit", "words"), [("furlongs", "is not known"), ("degC", "does not fit bsp, a speed")])
def test_units_that_cannot_be(unit, words):
    with pytest.raises(ValueError, match=words):
        decode_csv(f"time,bsp\n,{unit}\n1,2\n".encode(), layout(units_row=True), time_zone="UTC")


def test_listed_columns_may_be_further_transducers_and_unlisted_ones_are_not_taken():
    columns = (CsvColumn("forestay_load", "FSL"), CsvColumn("bsp", "gone"))
    log = decode_csv(b"time,FSL,aws\n1812801600,1250,9\n", layout(columns=columns), time_zone="UTC")
    assert list(log.readings) == ["forestay_load"]
    assert values(log, "forestay_load", "forestay_load") == [1250.0]
    assert log.counts == {"column 'gone' of bsp is not in the file": 1, "column 'aws' passed over": 1}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"bsp,awa\n1,2\n", "no heading 'time'"),
        (b"time,mood\n1,2\n", "no heading is a known channel"),
        (bytes(range(256)) * 20, "no heading 'time'"),
    ],
)
def test_what_is_no_log_is_refused_with_a_sentence(data, words):
    with pytest.raises(ValueError, match=words):
        decode_csv(data, PLAIN, time_zone="UTC")
    assert not recognises(data, PLAIN)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339, section 5.8 (examples)
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870000)),
        # epochs (standard library)
        ("1709251199", datetime(2024, 2, 29, 23, 59, 59)),
        ("1709251199500", datetime(2024, 2, 29, 23, 59, 59, 500000)),
        ("1554595200.25", datetime(2019, 4, 7, 0, 0, 0, 250000)),
        # what else loggers write
        ("2024-02-29t23:59:59z", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024-02-29 23:59:59", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024/02/29 23:59", datetime(2024, 2, 29, 23, 59)),
        ("20240229T235959Z", datetime(2024, 2, 29, 23, 59, 59)),
        ("20240229235959", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024-02-29T23:59:59.1234567+02", datetime(2024, 2, 29, 21, 59, 59, 123456)),
        # what is no time
        ("2024-02-30T00:00:00Z", "unreadable time"),
        ("2023-02-29T00:00:00Z", "unreadable time"),
        ("2024-02-29T24:00:00Z", "unreadable time"),
        ("2024-02-29T12:00:61Z", "unreadable time"),
        ("2024-02-29T12:00:60Z", "second 60 where no leap second can be"),
        ("2024-W09-4", "unreadable time"),
        ("45351.5", "unreadable time"),
        ("noon", "unreadable time"),
        ("", "no time"),
        ("n/a", "no time"),
    ],
)
def test_stamps_told_by_themselves(text, expected):
    assert stamp_of(text) == expected


@pytest.mark.parametrize(
    ("text", "time_format", "expected"),
    [
        ("12.06.2027 14:00:01", "%d.%m.%Y %H:%M:%S", datetime(2027, 6, 12, 14, 0, 1)),
        ("06/12/27 02:00:01 PM", "%m/%d/%y %I:%M:%S %p", datetime(2027, 6, 12, 14, 0, 1)),
        ("12.06.2027 14:00:01.25", "%d.%m.%Y %H:%M:%S.%f", datetime(2027, 6, 12, 14, 0, 1, 250000)),
        ("12.06.2027 14:00:01:250", "%d.%m.%Y %H:%M:%S:%f", datetime(2027, 6, 12, 14, 0, 1, 250000)),
        ("2027-06-12T14:00:01+0200", "%Y-%m-%dT%H:%M:%S%z", datetime(2027, 6, 12, 12, 0, 1)),
        ("2027-06-12T14:00:01+02:00", "%Y-%m-%dT%H:%M:%S%z", datetime(2027, 6, 12, 12, 0, 1)),
        ("2027-06-12T14:00:01Z", "%Y-%m-%dT%H:%M:%SZ", datetime(2027, 6, 12, 14, 0, 1)),
        ("2027-06-12 14:00:01 UTC", "%Y-%m-%d %H:%M:%S %Z", datetime(2027, 6, 12, 14, 0, 1)),
        ("1812801600,5", "epoch_s", datetime(2027, 6, 12, 12, 0, 0, 500000)),
        ("1812801600500", "epoch_ms", datetime(2027, 6, 12, 12, 0, 0, 500000)),
        ("12/13/2027 14:00:01", "%d/%m/%Y %H:%M:%S", "unreadable time"),
    ],
)
def test_stamps_by_format(text, time_format, expected):
    assert stamp_of(text, time_format, sep=";") == expected


@pytest.mark.parametrize(("time_format", "words"), [("%d.%m. %H:%M", "no year"), ("%H:%M%z", "no date")])
def test_formats_that_cannot_be(time_format, words):
    with pytest.raises(ValueError, match=words):
        stamp_of("12.06. 14:00", time_format)


def test_stamps_without_zone_are_the_boats():
    assert stamp_of("2027-06-12 14:00:00", zone="Europe/Paris") == datetime(2027, 6, 12, 12)
    assert stamp_of("2027-01-12 14:00:00", zone="Europe/Paris") == datetime(2027, 1, 12, 13)
    assert stamp_of("2027-06-12T14:00:00Z", zone="Europe/Paris") == datetime(2027, 6, 12, 14)


def test_local_times_that_a_change_of_clocks_doubles_or_skips_are_rejected():
    # Europe/Paris 2027: forward on 28 March 02:00, back on 31 October 03:00 (time zone database)
    assert stamp_of("2027-03-28 02:30:00", zone="Europe/Paris") == "local time does not exist (clocks go forward)"
    assert stamp_of("2027-10-31 02:30:00", zone="Europe/Paris") == "local time occurs twice (clocks go back)"
    assert stamp_of("2027-10-31T02:30:00+01:00", zone="Europe/Paris") == datetime(2027, 10, 31, 1, 30)
    assert stamp_of("2027-10-31 03:00:00", zone="Europe/Paris") == datetime(2027, 10, 31, 2)


def test_an_unknown_zone_is_a_sentence():
    with pytest.raises(ValueError, match="time zone 'Mars/Olympus' is not known"):
        stamp_of("2027-06-12 14:00:00", zone="Mars/Olympus")


def test_times_of_day_alone_make_an_undated_log():
    data = b"time,bsp\n23:59:58,5\n23:59:59.5,6\n0:00:01,7\n"
    log = decode_csv(data, PLAIN, time_zone="Europe/Paris")
    assert not log.dated
    assert log.readings["water_speed"]["time"].to_list() == [
        datetime(1970, 1, 1, 23, 59, 58),
        datetime(1970, 1, 1, 23, 59, 59, 500000),
        datetime(1970, 1, 2, 0, 0, 1),
    ]
    given_date = decode_csv(data, PLAIN, time_zone="Europe/Paris", first_date=date(2027, 6, 12))
    assert given_date.dated
    assert given_date.readings["water_speed"]["time"][0] == datetime(2027, 6, 12, 21, 59, 58)
    assert given_date.readings["water_speed"]["time"][2] == datetime(2027, 6, 12, 22, 0, 1)


def test_a_time_of_day_among_dated_stamps_is_rejected():
    log = decode_csv(b"time,bsp\n2027-06-12T12:00:00Z,5\n12:00:01,6\n", PLAIN, time_zone="UTC")
    assert log.rejected.rows() == [(3, "time without a date", "12:00:01,6")]


def test_a_damaged_year_does_not_stretch_the_log():
    lines = [f"2027-06-12T12:00:{s:02d}Z,5" for s in range(10)] + ["2827-06-12T12:00:10Z,5"]
    log = decode_csv(("time,bsp\n" + "\n".join(lines)).encode(), PLAIN, time_zone="UTC")
    assert log.rejected.select("line", "reason").rows() == [(12, "time years away from the rest of the log")]
    assert log.used == 10


def test_time_that_goes_back_is_counted_and_put_in_order():
    data = b"time,bsp\n2027-06-12T12:00:02Z,5\n2027-06-12T12:00:01Z,6\n2027-06-12T12:00:03Z,7\n"
    log = decode_csv(data, PLAIN, time_zone="UTC")
    assert log.counts == {"time went back": 1}
    assert values(log, "water_speed", "bsp") == [6.0, 5.0, 7.0]


def test_missing_values_are_null_and_unreadable_ones_reject_the_line():
    rows = ["", "NaN", "-", "n/a", "--", " 6.5 ", "+7", "1e1", "inf", "6.5.1", "0x10", "six"]
    text = "time,bsp,aws\n" + "".join(f"2027-06-12T12:00:{i:02d}Z,{v},9\n" for i, v in enumerate(rows))
    log = decode_csv(text.encode(), PLAIN, time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [6.5, 7.0, 10.0]
    assert log.rejected["line"].to_list() == [10, 11, 12, 13]
    assert set(log.rejected["reason"]) == {"unreadable number for bsp"}
    assert log.readings["apparent_wind"].height == 8
    assert balanced(log)


def test_a_point_among_decimal_commas_is_not_guessed_at():
    log = decode_csv(
        b"time;bsp\n1812801600;1.234\n1812801601;1,5\n", layout(delimiter=";", decimal=","), time_zone="UTC"
    )
    assert log.rejected["reason"].to_list() == ["unreadable number for bsp"]
    assert values(log, "water_speed", "bsp") == [1.5]


def test_wrong_numbers_of_fields_are_rejected_and_an_empty_last_one_is_not():
    data = b"time,bsp,aws\n1812801600,5,9\n1812801601,5\n1812801602,5,9,1\n1812801603,5,9,\n"
    log = decode_csv(data, PLAIN, time_zone="UTC")
    assert log.rejected.rows() == [
        (3, "wrong number of fields", "1812801601,5"),
        (4, "wrong number of fields", "1812801602,5,9,1"),
    ]
    assert log.used == 2


def test_preamble_blank_and_comment_lines_and_repeated_headings_are_passed_over():
    data = b"Logger 7\n# made up\n\ntime,bsp\n1812801600,5\n\n,\n# lunch\ntime,bsp\n1812801601,6\n"
    log = decode_csv(data, PLAIN, time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [5.0, 6.0]
    assert (log.lines, log.used, log.passed_over) == (10, 2, 8)
    assert log.counts == {"heading or units row repeated": 1}


def test_a_heading_behind_a_comment_sign():
    log = decode_csv(b"# time,bsp\n1812801600,5\n", PLAIN, time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [5.0]


def test_quoted_fields_with_delimiters_line_ends_and_quotes():
    data = b'time,note,bsp\n1812801600,"a, ""b""\nand c",5\n"1812801601","","6"\n1812801602,5" pipe,7\n'
    data += b"1812801603,x,8\n"
    log = decode_csv(data, PLAIN, time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [5.0, 6.0, 8.0]
    assert log.rejected.rows() == [(5, "quote not closed", '1812801602,5" pipe,7')]
    assert (log.lines, log.used, log.passed_over) == (6, 4, 1)


def test_a_decimal_comma_within_quotes():
    log = decode_csv(b'time,bsp\n1812801600,"5,5"\n', layout(decimal=","), time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [5.5]


@pytest.mark.parametrize("encode", ["utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(encode, end):
    text = end.join(["time;vitesse °;note", "1812801600;5;été", "1812801601;6;", ""])
    log = decode_csv(
        text.encode(encode),
        layout(delimiter=";", columns=(CsvColumn("bsp", "vitesse °"),)),
        time_zone="UTC",
    )
    assert values(log, "water_speed", "bsp") == [5.0, 6.0]
    assert log.lines == 3


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", "§"])
def test_any_delimiter(delimiter):
    text = "time,bsp,aws\n1812801600,5,9\n1812801601,6,\n".replace(",", delimiter)
    log = decode_csv(text.encode(), layout(delimiter=delimiter), time_zone="UTC")
    assert values(log, "water_speed", "bsp") == [5.0, 6.0]
    assert values(log, "apparent_wind", "aws") == [9.0]


def test_angles_are_folded_and_nonsense_is_left_for_the_limits():
    data = b"time,awa,hdg_mag,heel\n1812801600,327.5,-10,350\n1812801601,5000,360,-20\n"
    log = decode_csv(data, PLAIN, time_zone="UTC")
    assert values(log, "apparent_wind", "awa") == [-32.5, 5000.0]
    assert values(log, "heading_mag", "hdg_mag") == [350.0, 0.0]
    assert values(log, "heel", "heel") == [-10.0, -20.0]


def test_control_bytes_reject_their_line_only():
    log = decode_csv(b"time,bsp\n1812801600,5\n\x00\x00,6\n1812801602,7\n", PLAIN, time_zone="UTC")
    assert log.rejected["reason"].to_list() == ["control bytes in the line"]
    assert values(log, "water_speed", "bsp") == [5.0, 7.0]


def test_blocks_do_not_matter(monkeypatch):
    lines = [f'18128016{i:02d},"a\nb",{i}' if i % 7 == 0 else f"18128016{i:02d},c,{i}" for i in range(60)]
    data = ("time,note,bsp\n" + "\n".join(lines) + "\nbad,,\n").encode()
    whole = decode_csv(data, PLAIN, time_zone="UTC")
    monkeypatch.setattr(csv_lines.blocks, "__defaults__", (97,))
    cut = decode_csv(data, PLAIN, time_zone="UTC")
    assert cut.rejected.equals(whole.rejected)
    assert cut.readings["water_speed"].equals(whole.readings["water_speed"])
    assert (cut.used, cut.passed_over) == (whole.used, whole.passed_over) == (69, 1)


CELL = st.text(alphabet='0123456789.,;"-\n\r\tTZ: nae#$\x00\x1fé', max_size=12)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.lists(CELL, min_size=1, max_size=4), max_size=12), st.sampled_from(["\n", "\r\n"]))
def test_every_line_is_accounted_for_whatever_comes(rows, end):
    text = end.join(["time;bsp;awa", *(";".join(r) for r in rows)])
    log = decode_csv(text.encode(), layout(delimiter=";"), time_zone="Europe/Paris")
    assert balanced(log)
    assert log.used >= 0
    assert log.rejected["line"].is_unique().all()
    assert log.lines == len(text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n").split("\n"))
    for frame in log.readings.values():
        assert frame["time"].null_count() == 0
        assert frame["time"].is_sorted()


GOOD = st.tuples(st.integers(0, 86_399_999), st.one_of(st.none(), st.floats(0, 40, allow_nan=False)))


@settings(max_examples=100, deadline=None)
@given(st.lists(GOOD, min_size=1, max_size=20, unique_by=lambda r: r[0]), st.booleans())
def test_what_was_written_comes_back(rows, quoted):
    q = '"' if quoted else ""
    start = datetime(2027, 6, 12, tzinfo=UTC)
    times = [start + timedelta(milliseconds=ms) for ms, _ in rows]
    body = "".join(
        f"{q}{t:%Y-%m-%dT%H:%M:%S}.{t.microsecond // 1000:03d}Z{q},{'' if v is None else repr(v)},1\n"
        for t, (_, v) in zip(times, rows, strict=True)
    )
    log = decode_csv(("time,bsp,aws\n" + body).encode(), PLAIN, time_zone="UTC")
    assert log.used == len(rows)
    expected = sorted((t.replace(tzinfo=None), v) for t, (_, v) in zip(times, rows, strict=True) if v is not None)
    got = log.readings.get("water_speed", pl.DataFrame({"time": [], "bsp": []})).select("time", "bsp").rows()
    assert got == expected

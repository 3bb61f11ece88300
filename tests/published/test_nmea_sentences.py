"""Sentences printed in other projects' documentation and test suites, with what they must decode to.

`worked_sentences.csv` names its sources row by row. The others are from the gpsd notes (ntpsec/gpsd `www/NMEA.adoc`),
pynmea2's and pynmeagps' test suites, and, marked "own", from the field layouts with checksums by calculation.
"""

import csv
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest import fields, nmea0183, reasons, stamps
from pipeline.ingest.clock import NO_TIME
from pipeline.ingest.scan import Text
from pipeline.ingest.sentences import LAYOUTS
from pipeline.units import DEG_PER_RAD, KN_PER_KMH, KN_PER_MS

WORKED = Path(__file__).parents[1] / "data" / "recorded" / "worked_sentences.csv"
ROWS = list(csv.DictReader(WORKED.read_text(encoding="utf-8").splitlines()))
TO_HOUSE = {"rad": DEG_PER_RAD, "m/s": KN_PER_MS, "km/h": KN_PER_KMH}


def decoded(sentence: str) -> nmea0183.DecodedLog:
    """One sentence, timed by a stamp in front of it."""
    return nmea0183.decode_nmea(f"2027-06-12T10:00:00Z {sentence}\r\n".encode(), transducers={}, season=None)


def values(sentence: str) -> dict[str, float]:
    """Every channel that one sentence gives."""
    out: dict[str, float] = {}
    for frame in decoded(sentence).readings.values():
        assert len(frame) == 1
        out |= {k: v for k, v in frame.drop("time", "source").row(0, named=True).items() if v is not None}
    return out


def body(sentence: str) -> tuple[str, str]:
    """Formatter and fields of a bare sentence."""
    return sentence[3:6], sentence[7:].split("*")[0]


def read_bodies(bodies: list[str], kind: str) -> fields.Fields:
    """What the bodies of some sentences of one kind say."""
    text = Text.of("*".join(bodies).encode())
    end = np.cumsum([len(b) + 1 for b in bodies]) - 1
    start = np.concatenate([[0], end[:-1] + 1])
    commas = fields.commas_of(text)
    return fields.read_fields(text, commas, {kind: (np.searchsorted(commas, start), start, end)})[kind]


def time_in(sentence: str) -> datetime | None:
    """The full time that a sentence carries itself."""
    kind, text = body(sentence)
    read = read_bodies([text], kind)
    assert read.state[0] == fields.FINE
    if NO_TIME in (read.day[0], read.time_of_day_us[0]):
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(int(read.day[0]), microseconds=int(read.time_of_day_us[0]))


# What a field of the worked sentences is called here; angles and speeds of MWV go by its reference.
CHANNEL = {
    "VWR": {"wind_angle_apparent": "awa", "wind_speed_apparent": "aws", "speed": "aws"},
    "VWT": {"wind_angle_true": "twa", "wind_speed_true": "tws", "speed": "tws"},
    "MWD": {
        "wind_direction_true": "twd",
        "wind_direction_magnetic": "twd_mag",
        "wind_speed_true": "tws",
        "wind_speed": "tws",
    },
    "VHW": {"speed_through_water": "bsp", "heading_true": "hdg_true", "heading_magnetic": "hdg_mag"},
    "HDG": {"heading_magnetic": "hdg_mag", "variation": "variation"},
    "HDM": {"heading_magnetic": "hdg_mag"},
    "HDT": {"heading_true": "hdg_true"},
    "VTG": {"cog_true": "cog", "cog_magnetic": "cog_mag", "sog": "sog"},
    "RMC": {
        "latitude": "lat",
        "longitude": "lon",
        "sog": "sog",
        "cog": "cog",
        "cog_true": "cog",
        "variation": "variation",
    },
}
MWV = {"wind_angle": ("twa", "awa"), "wind_speed": ("tws", "aws"), "speed": ("tws", "aws")}

# Fields that no channel keeps, and why. Everything else is checked.
NOT_KEPT = {
    "speed_mps": "the same speed again; knots are taken where both are given",
    "speed_kph": "the same speed again",
    "wind_speed_mps": "inconsistent on purpose; knots are taken where both are given",
    "speed_through_water_kph": "the same speed again",
    "sog_kph": "the same speed again",
    "mode": "judged (see the truth table in test_nmea0183.py), not kept",
    "source": "the TAG block's source is not kept: talker and sentence name the source",
    "tag_source": "as above",
    "deviation": "goes into the magnetic heading",
    "heading_compass": "the sensor's own heading; the magnetic one, put right by the deviation, is kept",
}
# Rows where the result differs on purpose.
DIFFERS = {
    ("$IIVWT,,R,10.1,N,,,,K*1C", "result"): ({"tws": 10.1}, "the speed is sound without the angle, and is kept"),
    ("$WIMWV,,T,,N,V*32", "wind_angle"): ({}, "the library's default 0 for a blank field: blank is missing here"),
    ("$WIMWV,,T,,N,V*32", "wind_speed"): ({}, "as above"),
    ("$IIMWV,271.0,R,000.2,N,A*3B", "wind_angle"): (
        {"awa": -89.0, "aws": 0.2},
        "the library leaves 0..360; here to port is negative",
    ),
    ("$HCHDG,98.3,0.1,E,12.6,W*56", "heading"): (
        {"hdg_mag": 98.4, "variation": -12.6},
        "the library gives the sensor's heading, this the magnetic one: sensor + deviation",
    ),
}


def channel_of(sentence: str, field: str) -> str | None:
    kind = sentence[3:6]
    if kind == "MWV":
        true, apparent = next((v for k, v in MWV.items() if field.startswith(k)), (None, None))
        return true if ",T," in sentence else apparent
    return CHANNEL[kind].get(field)


def expectation(text: str) -> tuple[float, float]:
    """Number and tolerance of an expected value such as `-2.967 (+/-0.005)`, `4.2 W`."""
    number = float(re.match(r"-?[\d.]+", text)[0])
    tolerance = re.search(r"\+/-([\d.]+)", text)
    if re.search(r"\d W$", text):
        number = -number
    digits = re.match(r"-?\d*\.?(\d*)", text)[1]
    return number, float(tolerance[1]) if tolerance else max(0.5 * 10.0 ** -len(digits), 1e-9) if digits else 1e-9


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['sentence'][:24]}:{r['field'][:22]}:{r['unit']}")
def test_worked_sentence(row: dict[str, str]) -> None:
    sentence, expected, unit = row["sentence"], row["expected_value"], row["unit"]
    field = row["field"].split(" (")[0]
    if (sentence, field) in DIFFERS:
        assert values(sentence) == pytest.approx(DIFFERS[sentence, field][0])
    elif field in NOT_KEPT:
        assert set(decoded(sentence).rejected["reason"]) <= {reasons.WRONG_TAG_SUM}
    elif sentence.startswith("\\"):
        _check_tag(sentence, field, expected)
    elif field == "error":
        assert decoded(sentence).rejected["reason"].to_list() == [reasons.BAD_FIELD]
    elif field in ("result", "all_valid_flags", "status_valid", "status"):
        _check_result(sentence, field, expected)
    elif field in ("datetime", "timestamp", "time", "date"):
        _check_time(sentence, field, expected)
    elif field in ("angle", "side", "reference"):
        _check_angle(sentence, field, expected)
    elif field == "heading_true" and sentence[3:6] == "HDG":
        assert values(sentence)["hdg_mag"] + values(sentence)["variation"] == pytest.approx(float(expected))
    elif expected == "null":
        assert channel_of(sentence, field) not in values(sentence)
    else:
        number, tolerance = expectation(expected.split("= ")[-1] if unit == "rad" and "= " in expected else expected)
        if "= " in expected or " deg" in expected:  # given in degrees beside, its tolerance in radians
            tolerance = tolerance * DEG_PER_RAD
            factor = 1.0
        else:
            factor = TO_HOUSE.get(unit, 1.0)
        got = values(sentence)[channel_of(sentence, field)]
        # A speed that the sentence prints in knots and in m/s, each rounded for itself, agrees to half a digit only;
        # the libraries' own factor of the knot is good to six digits.
        slack = 0.05 if unit == "m/s" and ",N," in sentence and ",M" in sentence else 1e-5
        assert got == pytest.approx(number * factor, abs=max(tolerance * factor, slack))


# Sums printed in two rows, and what the XOR comes to.
WRONG_TAG_SUMS = {"5F": "5A", "20": "44"}


def _check_tag(sentence: str, field: str, expected: str) -> None:
    if field == "error":
        assert decoded(sentence).rejected["reason"].to_list() == [reasons.WRONG_TAG_SUM]
        return
    data = sentence.encode()
    end = max(sentence.find("$"), sentence.find("!"))
    if (given := re.search(r"\*(..)\\", sentence)[1]) in WRONG_TAG_SUMS:
        # The library that these two rows come from does not check; put right, they give its time.
        assert decoded(sentence).rejected["reason"].to_list() == [reasons.WRONG_TAG_SUM]
        data = data.replace(f"*{given}\\".encode(), f"*{WRONG_TAG_SUMS[given]}\\".encode())
    read = stamps.read_fronts(Text.of(data), np.array([0]), np.array([end]))
    wanted = int(expected) if field == "tag_time" else datetime.fromisoformat(expected).timestamp()
    assert read.state.tolist() == [stamps.FINE]
    assert read.tag_us[0] == (wanted * 1000 if wanted > 1e11 else wanted * 1_000_000)


def _check_result(sentence: str, field: str, expected: str) -> None:
    if sentence.startswith("$GPZDA"):
        assert time_in(sentence) is None
    log = decoded(sentence)
    assert (log.lines, log.used) == (1, 1)
    assert bool(values(sentence)) == (expected in ("true", "A", "valid"))


def _check_time(sentence: str, field: str, expected: str) -> None:
    got = time_in(sentence)
    assert got is not None
    if field == "time":
        assert got.strftime("%H:%M:%S") == expected
    elif field == "date":
        assert got.strftime("%d/%m/%y") == expected
    else:
        assert got == datetime.fromisoformat(expected)


def _check_angle(sentence: str, field: str, expected: str) -> None:
    got = values(sentence)
    angle = got.get("awa", got.get("twa"))
    if field == "angle":
        assert abs(angle) == pytest.approx(float(expected))
    elif field == "side":
        assert (angle > 0) == expected.startswith(("R", "r"))
    else:
        assert ("twa" in got) == (expected == "T")


# check_values 1b and 1c: everything that the sentence gives, and nothing else.
EXACT = [
    ("$IIMWV,271.0,R,000.2,N,A*3B", {"awa": -89.0, "aws": 0.2}),  # pynmea2 test_MWV
    ("$WIMWD,302.4,T,289.6,M,10.5,N,5.4,M*6F", {"twd": 302.4, "twd_mag": 289.6, "tws": 10.5}),  # gpsd notes
    ("$GPHDT,274.07,T*03", {"hdg_true": 274.07}),  # gpsd notes
    ("$HEROT,0.0,A*2B", {"rate_of_turn": 0.0}),  # gpsd notes
    ("$INMTW,17.9,C*1B", {"water_temp": 17.9}),  # gpsd notes
    ("$SDMTW,,C*1A", {}),  # gpsd's yacht log: empty is missing
    ("$INDPT,2.3,0.0*46", {"depth": 2.3}),  # gpsd notes
    ("$SDDBT,7.8,f,2.4,M,1.3,F*0D", {"depth": 2.4}),  # gpsd notes: metres where given
    ("$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34", {"cog": 220.86, "sog": 2.55}),  # gpsd notes
    ("$GPVTG,108.53,T,,M,0.04,N,0.07,K,A*31", {"cog": 108.53, "sog": 0.04}),  # pynmea2
    ("$GPVTG,,T,,M,0.00,N*1B", {"sog": 0.0}),  # pynmea2: the short form
    (
        "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",  # pynmea2 test_RMC
        {"lat": 49.274166667, "lon": -123.185333333, "sog": 0.5, "cog": 54.7, "variation": 20.3},
    ),
    ("$GPGLL,4916.45,N,12311.12,W,225444,A,*1D", {"lat": 49.274166667, "lon": -123.185333333}),  # pynmea2
    ("$GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A*67", {"lat": 44.069002, "lon": -121.3143321667}),  # gpsd notes
    (
        "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",  # pynmea2
        {"lat": -19.484083333, "lon": 24.1751},
    ),
    # Longer than 82 bytes and yet right: NOAA PSL ship log, ATOMIC 2020, gps02001420_raw.txt.
    (
        "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E",
        {"lat": 15 + 41.31258893 / 60, "lon": -(51 + 30.51204125 / 60)},
    ),
    (
        "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B",
        {"lat": 15 + 41.31258893 / 60, "lon": -(51 + 30.51204125 / 60), "sog": 0.26, "cog": 147.44, "variation": -16.9},
    ),
    # gpsd notes and pynmeagps: pitch and roll, and three that are no channel of ours.
    (
        "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
        {"pitch": 171.0, "heel": -37.0, "magx": 367.0, "magy": 2420.0, "magz": -8984.0},
    ),
    (
        "$YXXDR,A,-64.437,M,N,A,054.454,D,E,C,17.09,C,T-N1052*46",
        {"n": -64.437, "e": 54.454, "t_n1052": 17.09},
    ),  # pynmea2
    # Own sentences of the layouts.
    ("$IIMWV,032.5,R,14.2,N,A*0E", {"awa": 32.5, "aws": 14.2}),
    ("$IIMWV,327.5,R,14.2,N,A*09", {"awa": -32.5, "aws": 14.2}),
    ("$IIMWV,045.0,T,07.3,M,A*0D", {"twa": 45.0, "tws": 14.1901}),
    ("$IIMWV,045.0,R,26.3,K,A*0E", {"awa": 45.0, "aws": 14.2009}),
    ("$IIMWV,045.0,R,,N,V*05", {}),
    ("$WIMWD,045.0,T,043.0,M,10.0,N,5.1,M*69", {"twd": 45.0, "twd_mag": 43.0, "tws": 10.0}),
    ("$IIVWR,045.0,L,12.6,N,6.5,M,23.3,K*52", {"awa": -45.0, "aws": 12.6}),
    ("$IIVWT,045.0,R,10.0,N,5.1,M,18.5,K*47", {"twa": 45.0, "tws": 10.0}),
    ("$IIVHW,231.3,T,229.9,M,6.60,N,12.22,K*65", {"hdg_true": 231.3, "hdg_mag": 229.9, "bsp": 6.6}),
    ("$HCHDG,229.8,1.0,W,1.3,E*52", {"hdg_mag": 228.8, "variation": 1.3}),
    ("$HCHDM,229.8,M*28", {"hdg_mag": 229.8}),
    ("$IIXDR,A,-18.5,D,HEEL,A,2.1,D,TRIM*5A", {"heel": -18.5, "pitch": 2.1}),
    ("$IIVLW,1234.5,N,045.6,N*7B", {"log_nm": 1234.5}),
    ("$IIVDR,123.0,T,121.0,M,1.2,N*38", {"current_set": 123.0, "current_drift": 1.2}),
    ("$SDDPT,5.3,0.4,*79", {"depth": 5.7}),
    (
        "$IIMDA,29.92,I,1.013,B,18.5,C,17.2,C,65.0,,11.8,C,045.0,T,043.0,M,10.0,N,5.1,M*29",
        {"pressure": 1013.0, "air_temp": 18.5, "water_temp": 17.2, "twd": 45.0, "twd_mag": 43.0, "tws": 10.0},
    ),
    ("$TIROT,-12.0,A*25", {"rate_of_turn": -12.0}),
    ("$IIRSA,-3.5,A,,V*52", {"rudder": -3.5}),
    ("$IIVPW,-4.50,N,-2.32,M*50", {"vmg": -4.5}),
]


@pytest.mark.parametrize(("sentence", "expected"), EXACT, ids=lambda x: x[:28] if isinstance(x, str) else "")
def test_sentence_gives_this_and_nothing_else(sentence: str, expected: dict[str, float]) -> None:
    log = decoded(sentence)
    assert (log.lines, log.used, log.passed_over) == (1, 1, 0)
    assert values(sentence) == pytest.approx(expected, abs=1e-4 if ",M,A*" in sentence or ",K,A*" in sentence else 1e-9)


def test_every_sentence_of_the_layouts_is_tried_here() -> None:
    tried = {s[3:6] for s, _ in EXACT} | {r["sentence"][3:6] for r in ROWS}
    assert set(LAYOUTS) - tried == {"GNS"}  # GNS: test_nmea0183.py


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68", "1994-11-19T22:54:46Z"),  # pynmea2
        ("$GPZDA,160012.71,11,03,2004,-1,00*7D", "2004-03-11T16:00:12.71Z"),  # gpsd notes: whatever the zone says
        ("$GPZDA,235959.50,29,02,2024,00,00*6F", "2024-02-29T23:59:59.5Z"),  # own
        ("$GPRMC,000231.42,A,4829.0005,N,00022.0016,E,0.16,212.28,220899,,,A*59", "1999-08-22T00:02:31.42Z"),  # gpsd
    ],
)
def test_times_as_written(sentence: str, expected: str) -> None:
    assert time_in(sentence) == datetime.fromisoformat(expected)


def test_a_date_of_the_nineties_is_kept_where_the_season_says_so() -> None:
    data = b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68\r\n"
    log = nmea0183.decode_nmea(data, transducers={}, season=(date(1994, 6, 1), date(1994, 12, 1)))
    assert log.readings["position"]["time"].to_list() == [datetime(1994, 11, 19, 22, 54, 46)]


# Examples that the gpsd notes print with a wrong checksum; the last is from pynmeagps' tests (right: 68).
WRONG_SUMS = [
    "$GPALM,1,1,15,1159,00,441d,4e,16be,fd5e,a10c9f,4a2da4,686e81,58cbe1,0a4,001*5B",
    "$GPAPA,A,A,0.10,R,N,V,V,011,M,DEST,011,M*82",
    "$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M*82",
    "$GPBOD,099.3,T,105.6,M,POINTB*01",
    "$GPBOD,097.0,T,103.2,M,POINTB,POINTA*52",
    "$GPBWC,220516,5130.02,N,00046.34,W,213.8,T,218.0,M,0004.6,N,EGLM*11",
    "$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,001.3,052.5,000.5,V*0B",
    "$PGRME,15.0,M,45.0,M,25.0,M*22",
    "$GNGLL,5327.04319,S,00214.41396,E,223232.00,A,A*22",
]


@pytest.mark.parametrize("sentence", WRONG_SUMS)
def test_wrong_checksums_are_rejected(sentence: str) -> None:
    log = decoded(sentence)
    assert log.rejected.select("line", "reason").rows() == [(1, reasons.WRONG_SUM)]
    assert log.rejected["text"][0].endswith(sentence)
    assert not log.readings


@pytest.mark.parametrize("sentence", [s for s, _ in EXACT])
def test_one_flipped_character_is_rejected(sentence: str) -> None:
    at = len(sentence) // 2
    flipped = sentence[:at] + chr(ord(sentence[at]) ^ 1) + sentence[at + 1 :]
    assert decoded(flipped).rejected["line"].to_list() == [1]

"""Field for field against pynmea2 1.19 and pynmeagps 1.1, on every recorded log.

Every difference is explained where it is allowed for. Both libraries are asked sentence by sentence, so that this also
checks which sentences are found at all.
"""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pynmea2
import pytest
from pynmeagps import NMEAReader, exceptions

from pipeline.ingest import fields
from pipeline.ingest.nmea0183 import decode_nmea
from pipeline.ingest.scan import SUM_OK, SUM_WRONG, Text, frame
from pipeline.ingest.sentences import FORMATTERS
from pipeline.units import KN_PER_KMH, KN_PER_MS

RECORDED = Path(__file__).parents[1] / "data" / "recorded"
LOGS = sorted(p.name for p in RECORDED.iterdir() if ".nmea" in p.name)


def data_of(name: str) -> bytes:
    path = RECORDED / name
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


def sentences(data: bytes) -> list[str]:
    """Everything from `$` or `!` to the end of its line, by plain Python."""
    out = []
    for line in data.decode("ascii").splitlines():
        at = min((i for i in (line.find("$"), line.find("!")) if i >= 0), default=-1)
        if at >= 0:
            out.append(line[at:])
    return out


def by_kind(data: bytes) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for s in sentences(data):
        address = s[1:].split(",")[0]
        if len(address) == 5 and address[2:] in FORMATTERS and address != "PGRMC":
            out.setdefault(address[2:], []).append(s)
    return out


def number(value: object) -> float | None:
    """A library's field as a number; both leave an empty one as None or ''."""
    return None if value in (None, "") else float(value)  # type: ignore[arg-type]


def scaled(value: object, factor: float) -> float | None:
    got = number(value)
    return None if got is None else got * factor


def first(*values: float | None) -> float | None:
    return next((v for v in values if v is not None), None)


def signed(value: object, side: str, positive: str) -> float | None:
    """Both libraries leave the sign of L/R and E/W to the letter behind."""
    got = number(value)
    if got is None or (not side and got):
        return None
    return got if side == positive or not got else -got


def folded(angle: float | None) -> float | None:
    """pynmea2 leaves 0..360; here starboard is positive, port negative, and dead astern -180."""
    return None if angle is None else (angle + 180.0) % 360.0 - 180.0


def place(m: pynmea2.NMEASentence) -> dict[str, float | None]:
    """pynmea2 gives 0 for a blank position, which here is missing."""
    return {"lat": m.latitude if m.lat and m.lat_dir else None, "lon": m.longitude if m.lon and m.lon_dir else None}


def fix(m: pynmea2.NMEASentence, status: str, mode: str | None) -> bool:
    """Our rule of status and mode, written out anew: pynmea2 calls an empty mode invalid, which we do not follow."""
    return mode in ("A", "D") if mode else status != "V"


def of_mwv(m: pynmea2.NMEASentence) -> dict[str, float | None]:
    if m.status == "V":
        return {}
    factor = {"N": 1.0, "M": KN_PER_MS, "K": KN_PER_KMH}.get(m.wind_speed_units)
    speed = None if factor is None else scaled(m.wind_speed, factor)
    names = {"R": ("awa", "aws"), "T": ("twa", "tws")}.get(m.reference)
    return {} if names is None else {names[0]: folded(number(m.wind_angle)), names[1]: speed}


def of_rmc(m: pynmea2.NMEASentence) -> dict[str, float | None]:
    mode = m.data[11] if len(m.data) > 11 else None
    if not fix(m, m.status, mode):
        return {}
    return place(m) | {
        "sog": number(m.spd_over_grnd),
        "cog": number(m.true_course),
        "variation": signed(m.mag_variation, m.mag_var_dir, "E"),
    }


def of_gll(m: pynmea2.NMEASentence) -> dict[str, float | None]:
    status = m.data[5] if len(m.data) > 5 else ""  # the research ship's GLL ends behind the longitude
    mode = m.data[6] if len(m.data) > 6 else None
    return place(m) if fix(m, status, mode) else {}


def of_xdr(m: pynmea2.NMEASentence) -> dict[str, float | None]:
    names = {"HEEL": "heel", "TRIM": "pitch", "RUDDER": "rudder", "AIRTEMP": "air_temp", "BARO": "pressure"}
    out = {}
    for t in (m.get_transducer(i) for i in range(m.num_transducers)):
        out[names[t.id]] = scaled(t.value, 1000.0 if t.units == "B" else 1.0)
    return out


def wind(angle: str, speed: str) -> Callable[[pynmea2.NMEASentence], dict[str, float | None]]:
    def read(m: pynmea2.NMEASentence) -> dict[str, float | None]:
        a, side, kn, _, ms = m.data[:5]
        return {angle: folded(signed(a, side, "R")), speed: first(number(kn), scaled(ms, KN_PER_MS))}

    return read


EXPECTED: dict[str, Callable[[pynmea2.NMEASentence], dict[str, float | None]]] = {
    "MWV": of_mwv,
    "MWD": lambda m: {
        "twd": number(m.direction_true),
        "twd_mag": number(m.direction_magnetic),
        "tws": first(number(m.wind_speed_knots), scaled(m.wind_speed_meters, KN_PER_MS)),
    },
    "VWR": wind("awa", "aws"),
    "VWT": wind("twa", "tws"),
    "VHW": lambda m: {
        "hdg_true": number(m.heading_true),
        "hdg_mag": number(m.heading_magnetic),
        "bsp": first(number(m.water_speed_knots), scaled(m.water_speed_km, KN_PER_KMH)),
    },
    "VTG": lambda m: (
        {
            "cog": number(m.true_track),
            "cog_mag": number(m.mag_track),
            "sog": first(number(m.spd_over_grnd_kts), scaled(m.spd_over_grnd_kmph, KN_PER_KMH)),
        }
        if fix(m, "", m.data[8] if len(m.data) > 8 else None)
        else {}
    ),
    "RMC": of_rmc,
    # An empty quality says nothing (firefly-II; its GGA have wrong checksums besides).
    "GGA": lambda m: place(m) if m.data[5] not in ("0", "6", "7", "8") else {},
    "GLL": of_gll,
    "ZDA": lambda m: {},
    "HDG": lambda m: {
        "hdg_mag": None if m.heading is None else number(m.heading) + (signed(m.deviation, m.dev_dir, "E") or 0.0),
        "variation": signed(m.variation, m.var_dir, "E"),
    },
    "HDM": lambda m: {"hdg_mag": number(m.heading)},
    "HDT": lambda m: {"hdg_true": number(m.heading)},
    "XDR": of_xdr,
    # pynmea2 calls the total distance `trip_distance`.
    "VLW": lambda m: {"log_nm": number(m.trip_distance)},
    "VDR": lambda m: {"current_set": number(m.deg_t), "current_drift": number(m.current)},
    # The offset belongs to the depth here.
    "DPT": lambda m: {"depth": None if m.depth is None else number(m.depth) + (number(m.offset) or 0.0)},
    "DBT": lambda m: {"depth": number(m.depth_meters)},
    "MTW": lambda m: {"water_temp": number(m.temperature)},
    "VPW": lambda m: {"vmg": first(number(m.speed_kn), scaled(m.speed_ms, KN_PER_MS))},
}


def ours(batch: list[str]) -> list[dict[str, float]]:
    """What we give for each sentence, one a second by stamps."""
    stamped = "".join(f"{1_800_000_000 + i} {s}\n" for i, s in enumerate(batch))
    log = decode_nmea(stamped.encode(), transducers={}, season=None)
    out: list[dict[str, float]] = [{} for _ in batch]
    for readings in log.readings.values():
        place_ = (readings["time"].dt.epoch("s") - 1_800_000_000).to_list()
        for i, row in zip(place_, readings.drop("time", "source").iter_rows(named=True), strict=True):
            out[i] |= {k: v for k, v in row.items() if v is not None}
    return out


def cases() -> Iterator[tuple[str, str]]:
    for name in LOGS:
        for kind in by_kind(data_of(name)):
            yield name, kind


@pytest.mark.parametrize(("name", "kind"), list(cases()))
def test_fields_agree_with_pynmea2(name: str, kind: str) -> None:
    batch = by_kind(data_of(name))[kind]
    compared = 0
    for sentence, got in zip(batch, ours(batch), strict=True):
        try:
            message = pynmea2.parse(sentence, check="*" in sentence)
        except pynmea2.ChecksumError:
            assert got == {}
            assert name == "firefly-II.nmea"  # its 23 GGA, whose quality somebody took out
            continue
        if ",2208-1," in sentence:  # april6_2019: no date; pynmea2 hands the text on, here the sentence is rejected
            assert message.data[8] == "2208-1"
            assert got == {}
            continue
        expected = {k: v for k, v in EXPECTED[kind](message).items() if v is not None}
        assert got == pytest.approx(expected, rel=1e-12, abs=1e-9), sentence
        compared += 1
    assert compared or name == "firefly-II.nmea"


def read_bodies(bodies: list[str], kind: str) -> fields.Fields:
    """What the bodies of some sentences of one kind say."""
    text = Text.of("*".join(bodies).encode())
    end = np.cumsum([len(b) + 1 for b in bodies]) - 1
    start = np.concatenate([[0], end[:-1] + 1])
    commas = fields.commas_of(text)
    return fields.read_fields(text, commas, {kind: (np.searchsorted(commas, start), start, end)})[kind]


@pytest.mark.parametrize(("name", "kind"), [c for c in cases() if c[1] in ("RMC", "ZDA", "GGA", "GLL")])
def test_times_agree_with_pynmea2(name: str, kind: str) -> None:
    at = {"RMC": 0, "ZDA": 0, "GGA": 0, "GLL": 4}[kind]
    batch = [s for s in by_kind(data_of(name))[kind] if "2208-1" not in s]
    if (name, kind) == ("firefly-II.nmea", "GGA"):  # their checksums are wrong; the times can be read all the same
        batch = [s.split("*")[0] for s in batch]
    # GLL without time and status (research ship) is left to the library's own absence.
    read = read_bodies([s[7:].split("*")[0] for s in batch], kind)
    for i, sentence in enumerate(batch):
        message = pynmea2.parse(sentence, check=False)
        text = message.data[at] if len(message.data) > at else ""
        void = kind != "ZDA" and not EXPECTED[kind](message)
        if not text or void:
            assert read.time_of_day_us[i] == fields.NO_TIME
            continue
        t = message.timestamp
        # pynmea2 cuts fractions through a float: 231.42 becomes .419999.
        us = ((t.hour * 60 + t.minute) * 60 + t.second) * 1_000_000 + t.microsecond
        assert abs(int(read.time_of_day_us[i]) - us) <= 1
        if kind == "RMC":
            assert read.day[i] == (message.datestamp - type(message.datestamp)(1970, 1, 1)).days
        if kind == "ZDA" and message.data[3]:
            day = type(message.datestamp)(message.year, message.month, message.day)
            assert read.day[i] == (day - type(day)(1970, 1, 1)).days  # its `.datetime` would add the zone; UTC stays


@pytest.mark.parametrize("name", LOGS)
def test_checksums_agree_with_pynmea2(name: str) -> None:
    data = data_of(name)
    found = frame(Text.of(data))
    lines = sentences(data)
    assert len(found.start) == len(lines)
    step = max(1, len(lines) // 4000)
    for sentence, state in list(zip(lines, found.checksum, strict=True))[::step]:
        if "*" in sentence:
            body, given = sentence[1:].rsplit("*", 1)
            right = pynmea2.NMEASentence.checksum(body) == int(given, 16)
            assert state == (SUM_OK if right else SUM_WRONG)


# pynmeagps: what it reads under these names. It gives signed positions itself.
GPS = {
    "RMC": {"lat": "lat", "lon": "lon", "spd": "sog", "cog": "cog"},
    "GLL": {"lat": "lat", "lon": "lon"},
    "GGA": {"lat": "lat", "lon": "lon"},
    "VTG": {"cogt": "cog", "cogm": "cog_mag", "sogn": "sog"},
    "HDM": {"headingM": "hdg_mag"},
    "HDT": {"headingT": "hdg_true"},
    "MTW": {"temp": "water_temp"},
    "DBT": {"depthm": "depth"},
    "MWD": {"dirT": "twd", "dirM": "twd_mag", "speedN": "tws"},
    "VHW": {"hdgT": "hdg_true", "hdgM": "hdg_mag", "spdN": "bsp"},
    "VPW": {"spdN": "vmg"},
}


@pytest.mark.parametrize(("name", "kind"), [c for c in cases() if c[1] in GPS])
def test_fields_agree_with_pynmeagps(name: str, kind: str) -> None:
    batch = by_kind(data_of(name))[kind]
    compared = 0
    for sentence, got in zip(batch, ours(batch), strict=True):
        if not got or "*" not in sentence:  # it insists on a checksum
            continue
        try:
            message = NMEAReader.parse(sentence + "\r\n")
        except exceptions.NMEAParseError:
            assert name == "firefly-II.nmea", sentence
            continue
        for theirs, channel in GPS[kind].items():
            value = getattr(message, theirs, "")
            if value in ("", None):  # blank there, and missing here
                if hasattr(message, theirs) and not (kind == "MWD" and channel == "tws"):
                    assert channel not in got, sentence
                continue
            # It rounds positions to ten digits.
            assert math.isclose(got[channel], value, rel_tol=1e-12, abs_tol=1e-9), sentence
            compared += 1
    assert compared or all(not g for g in ours(batch)) or not any("*" in s for s in batch)

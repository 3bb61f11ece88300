"""Writes a day's readings as NMEA 0183 or CSV, as a yacht's logger might; gzip without a clock."""

from __future__ import annotations

import gzip
from datetime import datetime, timedelta

from demo_maker.dice import Dice
from demo_maker.instruments import VARIATION_DEG, Readings
from demo_maker.season_plan import Day

CSV_HEADER = "when;lat;lon;sog;cog;log m/s;heading;wind angle;wind m/s;heel;rudder"
DAMAGED_DAY = "2026-06-13"
DAMAGED_COUNT = 8


def sentence(body: str) -> str:
    """`body` with its dollar sign and checksum."""
    total = 0
    for character in body.encode():
        total ^= character
    return f"${body}*{total:02X}"


def start_of(day: Day) -> datetime:
    """First second of the day's log, UTC."""
    return datetime.fromisoformat(f"{day.date}T{day.start}:00")


def _degrees_minutes(value: float, width: int) -> str:
    whole = int(abs(value))
    minutes = (abs(value) - whole) * 60.0
    text = f"{minutes:07.4f}"
    if text.startswith("60"):
        whole, text = whole + 1, "00.0000"
    return f"{whole:0{width}d}{text}"


def _angle(value: float, digits: int = 1) -> str:
    """0..360 with the digits of the sentence, never 360.0."""
    text = f"{value % 360.0:0{4 + digits}.{digits}f}"
    return f"{0.0:0{4 + digits}.{digits}f}" if text.startswith("360") else text


def _second(day: Day, when: datetime, r: Readings, s: int) -> list[tuple[float, str]]:
    """The sentences of one second as (part of the second, body)."""
    ns, ew = ("N" if r.lat[s] >= 0 else "S"), ("E" if r.lon[s] >= 0 else "W")
    variation = f"{abs(VARIATION_DEG):.1f},{'E' if VARIATION_DEG >= 0 else 'W'}"
    place = f"{_degrees_minutes(r.lat[s], 2)},{ns},{_degrees_minutes(r.lon[s], 3)},{ew}"
    out = [
        (0.0, f"GPRMC,{when:%H%M%S}.00,A,{place},{r.sog[s]:.2f},{_angle(r.cog[s])},{when:%d%m%y},{variation},A"),
        (0.1, f"WIMWV,{_angle(r.awa[s])},R,{r.aws[s]:.1f},N,A"),
        (0.2, f"IIVHW,,,{_angle(r.hdg_mag[s])},M,{r.bsp[s]:.2f},N,,"),
        (0.3, f"HCHDG,{_angle(r.hdg_mag[s])},,,{variation}"),
        (0.4, f"IIXDR,A,{r.heel[s]:.1f},D,HEEL,A,{r.pitch[s]:.1f},D,TRIM"),
    ]
    if day.style == "rfc.gz":
        out[1] = (0.1, f"WIMWV,{_angle(r.fine_awa[2 * s])},R,{r.fine_aws[2 * s]:.1f},N,A")
        out.append((0.6, f"WIMWV,{_angle(r.fine_awa[2 * s + 1])},R,{r.fine_aws[2 * s + 1]:.1f},N,A"))
    if s % 2 == 0:
        out.append((0.7, f"IIRSA,{r.rudder[s]:.1f},A,,V"))
    if s % 5 == 0:
        out.append((0.8, f"IIMWV,{_angle(r.twa[s])},T,{r.tws[s]:.1f},N,A"))
    if s % 30 == 0:
        out.append((0.9, f"SDDPT,{4100.0 + r.lat[s]:.1f},0.6"))
        out.append((0.9, f"IIMTW,{16.0 + (s // 1800) * 0.1:.1f},C"))
        out.append((0.9, "GPGSA,A,3,02,05,07,12,15,21,25,29,,,,,1.8,0.9,1.5"))
    return out


def nmea_lines(day: Day, r: Readings, seconds: range) -> list[str]:
    """The day's sentences, framed as its `style` says."""
    start = start_of(day)
    lines: list[str] = []
    for s in seconds:
        when = start + timedelta(seconds=s)
        for part, body in _second(day, when, r, s):
            text = sentence(body)
            if day.style.startswith("tag"):
                text = f"{_tag(body, when, part)}{text}"
            elif day.style.startswith("rfc"):
                stamp = when + timedelta(seconds=part)
                text = f"{stamp:%Y-%m-%dT%H:%M:%S}.{stamp.microsecond // 1000:03d}Z {text}"
            lines.append(text)
    return lines


def _tag(body: str, when: datetime, part: float) -> str:
    """A TAG block with source and UNIX time in milliseconds."""
    epoch_ms = int((when - datetime(1970, 1, 1)).total_seconds()) * 1000 + round(part * 1000)
    return "\\" + sentence(f"s:{body[:2]}0001,c:{epoch_ms}")[1:] + "\\"


def damage(day: Day, lines: list[str]) -> tuple[list[str], list[int]]:
    """A wet connector: on one day a few lines lose or change a character. Gives lines and numbers of those hurt."""
    if day.date != DAMAGED_DAY:
        return lines, []
    dice = Dice("wet connector").uniform(2 * DAMAGED_COUNT)
    hurt = sorted({int(u * len(lines)) for u in dice[:DAMAGED_COUNT]})
    out = list(lines)
    for k, i in enumerate(hurt):
        text = out[i]
        at = 8 + int(dice[DAMAGED_COUNT + k] * 12)
        out[i] = text[:at] + ("" if k % 2 else "#") + text[at + 1 :]
    return out, [i + 1 for i in hurt]


def _comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def csv_lines(day: Day, r: Readings, seconds: range) -> list[str]:
    """Semicolons, decimal commas, boat and wind speed in metres a second."""
    start, ms = start_of(day), 1852.0 / 3600.0
    out = [CSV_HEADER]
    for s in seconds:
        when = start + timedelta(seconds=s)
        cells = (
            _comma(r.lat[s], 5), _comma(r.lon[s], 5), _comma(r.sog[s], 2), _angle(r.cog[s]).replace(".", ","),
            _comma(r.bsp[s] * ms, 3), _angle(r.hdg_mag[s]).replace(".", ","), _comma(r.awa[s], 1),
            _comma(r.aws[s] * ms, 2), _comma(r.heel[s], 1), _comma(r.rudder[s], 1),
        )  # fmt: skip
        out.append(f"{when:%Y-%m-%d %H:%M:%S};" + ";".join(cells))
    return out


def packed(lines: list[str], name: str) -> bytes:
    """The file's bytes: CR LF for NMEA, LF for CSV; gzip where the name says so, without name or time in its header."""
    end = "\n" if ".csv" in name else "\r\n"
    data = (end.join(lines) + end).encode()
    return gzip.compress(data, compresslevel=9, mtime=0) if name.endswith(".gz") else data

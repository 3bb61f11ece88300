"""A small sound campaign: four minutes of steady beating by invented instruments."""

from __future__ import annotations

import functools
import operator
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

START = datetime(2027, 6, 12, 12, tzinfo=UTC)
SECONDS = 240
BOAT = """\
[boat]
name = "Wet hands"
loa_m = 12.0
[instruments]
wind_sensor_height_m = 18.0
[calibration]
leeway_coefficient = 8.0
[sails.MN]
kind = "mainsail"
station = "mast"
area_m2 = 60.0
[sails.J1]
kind = "headsail"
station = "forestay"
area_m2 = 45.0
[sails.A2]
kind = "spinnaker"
station = "bowsprit"
area_m2 = 140.0
[[sail_sets]]
name = "J1"
sails = ["MN", "J1"]
[[sail_sets]]
name = "A2"
sails = ["MN", "A2"]
"""
SAIL_LOG = "time,action,sail,note\n2027-06-12T11:50:00Z,flying,MN J1,\n"
DESIGNED = "sail_set,part,tws_kn,twa_deg\nJ1,1,0,30\nJ1,1,30,30\nJ1,1,30,90\nJ1,1,0,90\n"


def sentence(body: str, tail: str | None = None) -> str:
    """A sentence with its checksum, or with another tail."""
    total = functools.reduce(operator.xor, body.encode("utf-8"), 0)
    return f"${body}*{total:02X}" if tail is None else f"${body}{tail}"


def tick(at: datetime, second: int, speed: float = 7.5) -> list[str]:
    """What the instruments say in one second of steady beating."""
    angle = 31 + second % 3
    return [
        sentence(f"GPRMC,{at:%H%M%S},A,5000.{second % 1000:03d},N,00100.000,W,{speed:.1f},045.0,{at:%d%m%y},,"),
        sentence("HCHDG,045.0,,,1.0,E"),
        sentence(f"IIVHW,,,,,{speed:.2f},N,,"),
        sentence(f"IIMWV,{angle:.1f},R,{16 + second % 2:.1f},N,A"),
    ]


def log_lines(start: datetime = START, seconds: int = SECONDS, step: float = 1.0) -> list[str]:
    """A log's lines, one tick a `step`."""
    return [line for s in range(int(seconds / step)) for line in tick(start + timedelta(seconds=s * step), s)]


def as_bytes(lines: Sequence[str]) -> bytes:
    """Lines as a logger writes them."""
    return ("\r\n".join(lines) + "\r\n").encode("utf-8")


def sound_campaign(folder: Path) -> Path:
    """A small campaign without a fault."""
    (folder / "logs").mkdir(parents=True)
    (folder / "boat.toml").write_text(BOAT, "utf-8")
    (folder / "sail_log.csv").write_text(SAIL_LOG, "utf-8")
    (folder / "designed.csv").write_text(DESIGNED, "utf-8")
    (folder / "logs" / "a.nmea").write_bytes(as_bytes(log_lines()))
    return folder

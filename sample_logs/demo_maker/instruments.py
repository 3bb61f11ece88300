"""What the yacht's instruments make of it: lag, noise, upwash, a heeled vane, a log and compass a little off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from demo_maker.dice import Dice
from demo_maker.sailing import ENGINE, Track
from demo_maker.season_plan import Day
from demo_maker.weather import Weather

Floats = NDArray[np.float64]

SENSOR_HEIGHT_M = 28.6
ROUGHNESS_M = 0.0002
VARIATION_DEG = -2.2  # World Magnetic Model 2025 at the made-up venue, summer 2026
VENUE = (44.80, -12.00)  # open ocean; nothing is there

# The true corrections, in the sense of `[calibration]`: true = factor x measured, offsets are added to the measured.
TRUE_CALIBRATION = {
    "boat_speed_factor": 1.016,
    "heading_offset_deg": 0.8,
    "awa_offset_deg": -1.1,
    "aws_factor": 1.0,
}
TRUE_UPWASH_DEG = {
    "J1": 2.6, "J2": 2.4, "J4": 2.0, "J4+R1": 1.9, "J2+ST": 2.5, "RH": 3.0, "RH+J4+ST": 3.1,
    "SR+ST": 2.4, "S1": 2.6, "S2+ST": 2.4,
    ENGINE: 1.0,
}  # fmt: skip


@dataclass(frozen=True)
class Readings:
    """Measured channels, one value a second; `fine_*`: the apparent wind twice a second."""

    lat: Floats
    lon: Floats
    sog: Floats
    cog: Floats
    bsp: Floats
    hdg_mag: Floats
    awa: Floats
    aws: Floats
    heel: Floats
    pitch: Floats
    rudder: Floats
    twa: Floats
    tws: Floats
    fine_awa: Floats
    fine_aws: Floats


def measure(day: Day, wind: Weather, track: Track) -> Readings:
    """All readings of one day."""
    n = track.bsp_kn.size
    dice = Dice(f"instruments {day.date}")
    heel, pitch = track.heel_deg + wind.roll_deg, 1.0 + wind.pitch_deg
    sideways = wind.roll_deg - np.roll(wind.roll_deg, 1)
    sideways[0] = 0.0
    masthead_ms = SENSOR_HEIGHT_M * np.radians(sideways)  # the masthead's own motion, to starboard
    lift = np.log(SENSOR_HEIGHT_M / ROUGHNESS_M) / np.log(10.0 / ROUGHNESS_M) * wind.shear
    tws_top = wind.tws_kn * lift * (1.0 + dice.wander(n, 0.012, 5.0))
    twa_top = track.twa_deg + dice.wander(n, 1.2, 5.0)
    awa, aws = _apparent(tws_top, twa_top, track.bsp_kn, track.leeway_deg, masthead_ms * 3600 / 1852)
    awa, aws = _in_the_vane(awa, aws, heel, pitch)
    awa = _with_upwash(awa, track)
    awa_measured = _wrap(awa - TRUE_CALIBRATION["awa_offset_deg"] + 0.35 * dice.normal(n))
    aws_measured = np.maximum(aws / TRUE_CALIBRATION["aws_factor"] + 0.12 * dice.normal(n), 0.1)
    bsp = _lag(track.bsp_kn + wind.surge_kn, 1.6) / TRUE_CALIBRATION["boat_speed_factor"] + 0.05 * dice.normal(n)
    heading = track.ctw_deg - track.leeway_deg - TRUE_CALIBRATION["heading_offset_deg"] - VARIATION_DEG
    hdg = (heading + 0.9 * np.sin(np.radians(heading)) + 0.4 * dice.normal(n) + 0.5 * wind.roll_deg) % 360.0
    lat, lon, sog, cog = _over_ground(track, wind, dice)
    x, y = aws_measured * np.cos(np.radians(awa_measured)) - bsp, aws_measured * np.sin(np.radians(awa_measured))
    half = np.arange(0.0, n, 0.5)
    east, north = aws_measured * np.sin(np.radians(awa_measured)), aws_measured * np.cos(np.radians(awa_measured))
    fine_e = np.interp(half, np.arange(n), east) + 0.1 * dice.normal(2 * n)
    fine_n = np.interp(half, np.arange(n), north) + 0.1 * dice.normal(2 * n)
    return Readings(
        lat, lon, sog, cog, np.maximum(bsp, 0.0), hdg, awa_measured, aws_measured,
        heel + 0.3 * dice.normal(n), pitch + 0.2 * dice.normal(n), track.rudder_deg,
        _lag(np.degrees(np.arctan2(y, x)), 0.0), np.hypot(x, y),
        np.degrees(np.arctan2(fine_e, fine_n)), np.hypot(fine_e, fine_n),
    )  # fmt: skip


def _wrap(a: Floats) -> Floats:
    return (a + 180.0) % 360.0 - 180.0


def _lag(x: Floats, tau_s: float) -> Floats:
    """First-order lag of a sensor; none for 0."""
    if tau_s <= 0.0:
        return x
    a = float(np.exp(-1.0 / tau_s))
    return lfilter([1.0 - a], [1.0, -a], x, zi=[a * x[0]])[0]


def _apparent(tws: Floats, twa: Floats, bsp: Floats, leeway: Floats, masthead: Floats) -> tuple[Floats, Floats]:
    """Horizontal apparent wind from the bow: the true wind plus the boat's own, turned from the course."""
    along = tws * np.cos(np.radians(twa)) + bsp
    across = tws * np.sin(np.radians(twa))
    angle = np.degrees(np.arctan2(across, along)) + leeway
    speed = np.hypot(along, across)
    x, y = speed * np.cos(np.radians(angle)), speed * np.sin(np.radians(angle)) + masthead
    return np.degrees(np.arctan2(y, x)), np.hypot(x, y)


def _in_the_vane(awa: Floats, aws: Floats, heel: Floats, pitch: Floats) -> tuple[Floats, Floats]:
    """As the tilted masthead unit feels it: each component shorter by the cosine of its tilt."""
    x = aws * np.cos(np.radians(awa)) * np.cos(np.radians(pitch))
    y = aws * np.sin(np.radians(awa)) * np.cos(np.radians(heel))
    return np.degrees(np.arctan2(y, x)), np.hypot(x, y)


def _with_upwash(awa: Floats, track: Track) -> Floats:
    """The angle with the sails' upwash in it: what the correction of `[calibration]` takes out again."""
    u = np.array([TRUE_UPWASH_DEG[name] for name in track.names])[track.set_index]
    size = np.abs(awa)
    return np.where(size < 120.0, np.sign(awa) * (size + u * 120.0 / 90.0) / (1.0 + u / 90.0), awa)


def _over_ground(track: Track, wind: Weather, dice: Dice) -> tuple[Floats, Floats, Floats, Floats]:
    """Position, speed and course over ground: through the water plus the current."""
    course, setting = np.radians(track.ctw_deg), np.radians(wind.current_set_deg)
    speed = track.bsp_kn + wind.surge_kn
    east = speed * np.sin(course) + wind.current_kn * np.sin(setting)
    north = speed * np.cos(course) + wind.current_kn * np.cos(setting)
    start = dice.uniform(2)
    lat = VENUE[0] + 0.2 * (start[0] - 0.5) + np.cumsum(north) / 3600.0 / 60.0
    lon = VENUE[1] + 0.2 * (start[1] - 0.5) + np.cumsum(east) / 3600.0 / 60.0 / np.cos(np.radians(VENUE[0]))
    n = east.size
    east, north = _lag(east, 1.0) + 0.04 * dice.normal(n), _lag(north, 1.0) + 0.04 * dice.normal(n)
    return lat, lon, np.hypot(east, north), np.degrees(np.arctan2(east, north)) % 360.0

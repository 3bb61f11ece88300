"""From the true state of the boat to what its instruments say: the chain from instruments to true wind, run backwards.

With no noise and the right calibration, the chain must give back the true wind exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.known_boat.boat import Floats, KnownBoat
from tests.known_boat.truth import TrueCalibration
from tests.known_boat.weather import DayWeather, lagged, ornstein_uhlenbeck

# Written out here and not imported: the chain under test must not be its own judge.
ROUGHNESS_M = 0.0002
REFERENCE_M = 10.0
LEEWAY_MOST_DEG = 12.0


@dataclass(frozen=True)
class Sensors:
    calibration: TrueCalibration
    boat: KnownBoat
    noise: float


def log_law(height_m: float) -> float:
    """Wind at a height over the wind at 10 m, open sea."""
    return float(np.log(height_m / ROUGHNESS_M) / np.log(REFERENCE_M / ROUGHNESS_M))


def leeway_of(heel_deg: Floats, bsp_kn: Floats, twa_deg: Floats, coefficient: float) -> Floats:
    """Leeway, never negative: k |heel| / BSP^2, fading from 90 deg on, none when heeled to windward, at most 12."""
    to_leeward = np.maximum(-np.sign(twa_deg) * heel_deg, 0.0)
    fade = np.clip((150.0 - np.abs(twa_deg)) / 60.0, 0.0, 1.0)
    return np.minimum(coefficient * to_leeward / np.maximum(bsp_kn, 0.1) ** 2 * fade, LEEWAY_MOST_DEG)


def apparent_at_sensor(
    tws_kn: Floats,
    twd_deg: Floats,
    hdg_deg: Floats,
    ctw_deg: Floats,
    bsp_kn: Floats,
    height_m: float,
    twist_deg: float,
    shear: float,
) -> tuple[Floats, Floats]:
    """Horizontal apparent wind at the sensor: signed angle from the bow, and speed."""
    aloft = tws_kn * log_law(height_m) * shear
    from_bow = np.radians(twd_deg + twist_deg - hdg_deg)
    drift = np.radians(ctw_deg - hdg_deg)
    ahead = aloft * np.cos(from_bow) + bsp_kn * np.cos(drift)
    starboard = aloft * np.sin(from_bow) + bsp_kn * np.sin(drift)
    return np.degrees(np.arctan2(starboard, ahead)), np.hypot(ahead, starboard)


def with_upwash(awa_deg: Floats, upwash_deg: Floats | float) -> Floats:
    """What a vane shows in upwash: the inverse of |AWA| - u (120 - |AWA|) / 90 below 120 deg."""
    size = np.abs(awa_deg)
    u = np.asarray(upwash_deg, float)
    shown = np.where(size < 120.0, (size + u * 120.0 / 90.0) / (1.0 + u / 90.0), size)
    return np.copysign(shown, awa_deg)


def measure(
    truth: pl.DataFrame,
    sensors: Sensors,
    weather: DayWeather,
    stepped: bool,
    dt_s: float,
    position: tuple[float, float],
    variation_deg: float,
    rng: np.random.Generator,
) -> pl.DataFrame:
    """What the instruments of one day say, one row a step: time and channels by the catalogue's names."""
    c = {name: truth[name].to_numpy() for name in truth.columns if name not in ("time", "sail_set", "day")}
    cal, noise, n = sensors.calibration, sensors.noise, truth.height
    white = lambda sd: noise * sd * rng.standard_normal(n)  # noqa: E731
    awa, aws = _vane(c, truth["sail_set"].to_numpy(), sensors, weather, stepped, dt_s, rng)
    quiver = noise * 0.05 * weather.sea_height_m * ornstein_uhlenbeck(n, dt_s, 2.0, rng)
    bsp = lagged(c["bsp_kn"], dt_s, 1.5 * noise) + quiver + white(0.03)
    bsp = np.maximum(bsp / cal.value("boat_speed_factor", stepped), 0.0)
    hdg = c["hdg_deg"] - cal.value("heading_offset_deg", stepped) - variation_deg + white(0.5)
    course = np.radians(c["ctw_deg"])
    east = c["bsp_kn"] * np.sin(course) + c["current_east_kn"]
    north = c["bsp_kn"] * np.cos(course) + c["current_north_kn"]
    lat = position[0] + np.cumsum(north) * dt_s / 3600.0 / 60.0
    lon = position[1] + np.cumsum(east) * dt_s / 3600.0 / 60.0 / np.cos(np.radians(position[0]))
    east = east + noise * 0.05 * ornstein_uhlenbeck(n, dt_s, 12.0, rng)
    north = north + noise * 0.05 * ornstein_uhlenbeck(n, dt_s, 12.0, rng)
    return pl.DataFrame(
        {
            "time": truth["time"],
            "lat": lat,
            "lon": lon,
            "sog": np.hypot(east, north),
            "cog": np.mod(np.degrees(np.arctan2(east, north)), 360.0),
            "bsp": bsp,
            "hdg_mag": np.mod(hdg, 360.0),
            "awa": np.mod(awa + 180.0, 360.0) - 180.0,
            "aws": np.maximum(aws, 0.0),
            "heel": c["heel_deg"] + white(0.3),
            "pitch": c["pitch_deg"] + white(0.2),
        }
    )


def _vane(
    c: dict[str, Floats],
    sail_set: np.ndarray,
    sensors: Sensors,
    weather: DayWeather,
    stepped: bool,
    dt_s: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Angle and speed that the masthead unit reports."""
    cal, noise, n = sensors.calibration, sensors.noise, sail_set.size
    # eddies smaller than the boat: the vane feels them, the boat does not
    angle = np.radians(c["awa_deg"] + noise * 1.4 * ornstein_uhlenbeck(n, dt_s, 2.5, rng))
    speed = c["aws_kn"] * (1.0 + noise * 0.03 * ornstein_uhlenbeck(n, dt_s, 2.5, rng))
    heel, pitch = np.radians(c["heel_deg"]), np.radians(c["pitch_deg"])
    ahead, starboard = speed * np.cos(angle) * np.cos(pitch), speed * np.sin(angle)
    if noise > 0:
        # the masthead swings: m/s to knots by 3600 / 1852
        starboard = starboard + np.gradient(heel, dt_s) * sensors.boat.sensor_height_m * 3600.0 / 1852.0
    starboard = starboard * np.cos(heel)
    names, which = np.unique(sail_set, return_inverse=True)
    upwash = np.array([cal.upwash_by_set_deg.get(str(s), cal.upwash_deg) for s in names])[which]
    upwash = upwash + (cal.step_size if stepped and cal.step_parameter == "upwash_deg" else 0.0)
    shown = np.radians(with_upwash(np.degrees(np.arctan2(starboard, ahead)), upwash))
    reach = np.hypot(ahead, starboard) / cal.value("aws_factor", stepped)
    damp = 1.0 * noise
    ahead, starboard = lagged(reach * np.cos(shown), dt_s, damp), lagged(reach * np.sin(shown), dt_s, damp)
    awa = np.degrees(np.arctan2(starboard, ahead)) - cal.value("awa_offset_deg", stepped)
    aws = np.hypot(ahead, starboard)
    return awa + noise * 0.5 * rng.standard_normal(n), aws + noise * 0.1 * rng.standard_normal(n)

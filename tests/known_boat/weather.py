"""Invented weather: days with a wind regime of their own, slow drift, shifts, gusts and lulls, sea state, tide.

Gusts are sums of Ornstein-Uhlenbeck processes of several time scales, whose spectra together fall off much like the
-5/3 of a turbulent boundary layer; intensities of 7 to 11 per cent over open sea are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.known_boat.boat import Floats

TIDE_PERIOD_S = 12.42 * 3600.0  # the principal lunar tide
# time scale (s), share of the variance
GUST_SCALES = ((12.0, 0.16), (45.0, 0.26), (160.0, 0.32), (520.0, 0.26))
SHIFT_SCALES = ((15.0, 0.10), (90.0, 0.25), (480.0, 0.65))


def ornstein_uhlenbeck(n: int, dt_s: float, scale_s: float, rng: np.random.Generator) -> Floats:
    """`n` values of a stationary process of unit variance and correlation exp(-t / scale)."""
    a = float(np.exp(-dt_s / scale_s))
    noise = rng.standard_normal(n) * np.sqrt(1.0 - a * a)
    noise[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -a], noise))


def mixture(n: int, dt_s: float, scales: tuple[tuple[float, float], ...], rng: np.random.Generator) -> Floats:
    """Sum of such processes, of unit variance."""
    return np.sum([np.sqrt(share) * ornstein_uhlenbeck(n, dt_s, scale, rng) for scale, share in scales], axis=0)


def lagged(x: Floats, dt_s: float, lag_s: float) -> Floats:
    """First-order lag, begun in balance; the identity for a lag of 0."""
    if lag_s <= 0:
        return np.asarray(x, float)
    a = float(np.exp(-dt_s / lag_s))
    y, _ = lfilter([1.0 - a], [1.0, -a], x, zi=[a * x[0]])
    return np.asarray(y)


@dataclass(frozen=True)
class DayWeather:
    """Wind over the ground at 10 m, sea and current, one value a time step.

    `sea_excess` is the relative excess of the sea over what belongs to that wind; 0 on an ordinary day. `sea_word` is
    what the crew would write. `twist_deg` and `shear` are how the wind at the masthead departs from the log law.
    """

    ground_tws_kn: Floats
    ground_twd_deg: Floats
    sea_excess: Floats
    sea_height_m: Floats
    current_east_kn: Floats
    current_north_kn: Floats
    twist_deg: float
    shear: float


def sea_of_wind_m(tws_kn: Floats) -> Floats:
    """The sea that belongs to a wind in sheltered coastal waters (invented, rising like wind^1.5)."""
    return 0.018 * np.maximum(tws_kn, 0.0) ** 1.5


def day_weather(
    n: int,
    dt_s: float,
    start_s: float,
    mean_kn: float,
    *,
    gusty: float,
    tide_kn: float,
    tide_set_deg: float,
    twist_sd_deg: float,
    shear_sd: float,
    rng: np.random.Generator,
) -> DayWeather:
    """One day of `n` steps; `start_s` (seconds since the season's first midnight) places it in the tide."""
    t = np.arange(n) * dt_s
    hours = t / 3600.0
    slow = 0.10 * ornstein_uhlenbeck(n, dt_s, 4500.0, rng) + 0.045 * rng.standard_normal() * hours
    gust_sd = gusty * rng.uniform(0.07, 0.11)
    # in light air the relative gusts grow
    gust_sd *= 1.0 + 0.25 * np.exp(-mean_kn / 6.0)
    tws = mean_kn * np.exp(slow) * np.maximum(1.0 + gust_sd * mixture(n, dt_s, GUST_SCALES, rng), 0.25)
    tws = np.maximum(tws, 1.5)

    direction = rng.uniform(0, 360) + rng.normal(0, 4.0) * hours
    shift_sd = gusty * rng.uniform(2.5, 4.5) * (1.0 + 0.6 * np.exp(-mean_kn / 7.0))
    direction = direction + shift_sd * mixture(n, dt_s, SHIFT_SCALES, rng)
    direction = direction + gusty * rng.uniform(1.5, 5.0) * np.sin(
        2 * np.pi * t / rng.uniform(500, 1300) + rng.uniform(0, 6.28)
    )
    for _ in range(rng.poisson(0.7 * hours[-1] / 3.0 + 0.3)):
        at, size = rng.uniform(0, t[-1]), gusty * rng.normal(0, 7.0)
        direction = direction + size * 0.5 * (1.0 + np.tanh((t - at) / rng.uniform(40, 240)))

    belongs = sea_of_wind_m(tws)
    sea = lagged(sea_of_wind_m(lagged(tws, dt_s, 900.0)), dt_s, 3600.0) * float(np.exp(rng.normal(0, 0.22)))
    excess = sea / np.maximum(sea_of_wind_m(lagged(tws, dt_s, 1800.0)), 0.05) - 1.0
    phase = 2 * np.pi * (start_s + t) / TIDE_PERIOD_S
    size = tide_kn * rng.uniform(0.75, 1.25)
    drift = size * np.sin(phase) + 0.12 * min(tide_kn, 1.0) * ornstein_uhlenbeck(n, dt_s, 5400.0, rng)
    across = 0.25 * size * np.cos(phase + 0.7)
    axis = np.radians(tide_set_deg)
    return DayWeather(
        ground_tws_kn=tws,
        ground_twd_deg=np.mod(direction, 360.0),
        sea_excess=np.clip(excess, -0.8, 1.5),
        sea_height_m=np.maximum(sea, 0.3 * belongs),
        current_east_kn=drift * np.sin(axis) + across * np.cos(axis),
        current_north_kn=drift * np.cos(axis) - across * np.sin(axis),
        twist_deg=float(rng.normal(0, twist_sd_deg)) if twist_sd_deg > 0 else 0.0,
        shear=float(np.exp(rng.normal(0, shear_sd))) if shear_sd > 0 else 1.0,
    )


def over_the_water(day: DayWeather) -> tuple[Floats, Floats]:
    """True wind over the water (kn, degrees from): the ground's wind less what the water carries the boat."""
    blow = np.radians(day.ground_twd_deg)
    east = day.ground_tws_kn * np.sin(blow) + day.current_east_kn
    north = day.ground_tws_kn * np.cos(blow) + day.current_north_kn
    return np.hypot(east, north), np.mod(np.degrees(np.arctan2(east, north)), 360.0)

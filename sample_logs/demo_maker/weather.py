"""The invented wind, waves and current of one day, second by second. True wind at 10 m over the water."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_maker.dice import Dice
from demo_maker.season_plan import Day

Floats = NDArray[np.float64]

ROLL_SD_DEG = {"flat": 0.35, "moderate": 0.7, "rough": 1.1}
SEA_UPWIND = {"flat": 0.004, "moderate": -0.004, "rough": -0.016}
SEA_DOWNWIND = {"flat": -0.002, "moderate": 0.002, "rough": 0.006}
DAY_SD = 0.010


@dataclass(frozen=True)
class Weather:
    """Arrays of one value a second."""

    tws_kn: Floats
    twd_deg: Floats
    current_kn: Floats
    current_set_deg: Floats
    roll_deg: Floats  # of the waves
    pitch_deg: Floats
    surge_kn: Floats
    shear: Floats  # wind at the masthead against what the log law makes of the wind at 10 m
    factor_up: Floats  # the day's speed against an ordinary day's
    factor_down: Floats


def weather_of(day: Day, seconds: int, hull: float) -> Weather:
    """The day's weather; `hull`: fouling, as a share of speed, to be added to the day's factors."""
    dice = Dice(f"weather {day.date}")
    t = np.arange(seconds, dtype=float)
    mean = np.interp(t / 60.0, *np.array(day.wind, dtype=float).T)
    relative = (
        dice.wander(seconds, 0.045, 420.0) + dice.wander(seconds, 0.045, 75.0) + dice.wander(seconds, 0.025, 12.0)
    )
    phase = dice.uniform(4)
    shift = 5.0 * np.sin(2 * np.pi * (t / (900.0 + 600.0 * phase[0]) + phase[1]))
    twd = (
        day.twd_deg
        + day.veer_deg_h * t / 3600.0
        + shift
        + dice.wander(seconds, 2.4, 200.0)
        + dice.wander(seconds, 1.4, 25.0)
    )
    sea = (
        [label for m in t / 60.0 for label in (sea_at(day, float(m)),)]
        if len(day.sea) > 1
        else [day.sea[0][1]] * seconds
    )
    roll_sd = np.array([ROLL_SD_DEG[s] for s in sea])
    tide = 2 * np.pi * (t / 44_700.0 + phase[2])
    drift = day.current[0] * (0.75 + 0.25 * np.sin(tide))
    up, down = day_factors(day)
    trend = (t / 3600.0 - 1.25) * 0.003 * dice.normal(2)[0]
    return Weather(
        tws_kn=np.maximum(mean * (1.0 + relative), 0.5),
        twd_deg=twd,
        current_kn=drift,
        current_set_deg=day.current[1] + 14.0 * np.sin(tide + 1.0),
        roll_deg=roll_sd * _swell(dice, seconds, 6.3),
        pitch_deg=0.8 * roll_sd * _swell(dice, seconds, 4.6),
        surge_kn=0.10 * roll_sd * _swell(dice, seconds, 7.7),
        shear=np.full(seconds, 1.0 + 0.012 * dice.normal(1)[0]),
        factor_up=1.0 + up + hull + trend + np.array([SEA_UPWIND[s] for s in sea]),
        factor_down=1.0 + down + hull + trend + np.array([SEA_DOWNWIND[s] for s in sea]),
    )


def sea_at(day: Day, minute: float) -> str:
    """The sea state in force."""
    return [label for start, label in day.sea if start <= minute][-1]


def day_factors(day: Day) -> tuple[float, float]:
    """The day's own effect on speed, close-hauled and off the wind: correlated, not the same."""
    a, b = Dice(f"day {day.date}").normal(2)
    return float(DAY_SD * a), float(DAY_SD * (0.6 * a + 0.8 * b))


def _swell(dice: Dice, seconds: int, period_s: float) -> Floats:
    """A narrow-band swell of unit standard deviation: the period and the size of its waves wander."""
    period = period_s * (1.0 + dice.wander(seconds, 0.12, 60.0))
    phase = 2 * np.pi * np.cumsum(1.0 / period) + 6.283 * dice.uniform(1)[0]
    return 1.414 * np.abs(1.0 + dice.wander(seconds, 0.3, 30.0)) * np.sin(phase)

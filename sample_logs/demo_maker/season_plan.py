"""The invented season: days, winds, legs, which sails against which. Times UTC; places and races made up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["beat", "run", "reach", "motor"]
CREW = "crew"  # the crew chooses from the designed chart, late
HULL_CLEANED_DATE = "2026-07-10"


@dataclass(frozen=True)
class Leg:
    """A stretch of the day. `sails`: sets flown in turn, `turn_min` minutes each; `twa_deg`: from and to."""

    kind: Kind
    minutes: float
    sails: tuple[str, ...] = (CREW,)
    turn_min: float = 9.0
    twa_deg: tuple[float, float] = (90.0, 90.0)


@dataclass(frozen=True)
class Day:
    """One day out. `wind`: (minute, true wind speed) to be joined by straight lines; `style`: how it was logged."""

    date: str
    start: str
    wind: tuple[tuple[float, float], ...]
    twd_deg: float
    veer_deg_h: float
    sea: tuple[tuple[float, str], ...]
    current: tuple[float, float]  # knots, direction it sets towards
    style: str
    legs: tuple[Leg, ...]
    race: str | None = None
    motor_min: float = 0.0
    break_min: tuple[float, float] | None = None  # instruments off: minute, length


def beat(minutes: float, *sails: str, turn: float = 9.0) -> Leg:
    return Leg("beat", minutes, sails or (CREW,), turn)


def run(minutes: float, *sails: str, turn: float = 9.0) -> Leg:
    return Leg("run", minutes, sails or (CREW,), turn)


def reach(minutes: float, twa_from: float, twa_to: float, *sails: str, turn: float = 8.0) -> Leg:
    return Leg("reach", minutes, sails or (CREW,), turn, (twa_from, twa_to))


J1, J2, J4, R1, JS, RH, T3, SR, S1, S2 = (
    "J1",
    "J2",
    "J4",
    "J4+R1",
    "J2+ST",
    "RH",
    "RH+J4+ST",
    "SR+ST",
    "S1",
    "S2+ST",
)

DAYS: tuple[Day, ...] = (
    Day(
        "2026-06-06",
        "10:05",
        ((0, 6.2), (70, 7.6), (150, 9.2)),
        255,
        4,
        ((0, "flat"),),
        (0.35, 40),
        "nmea",
        (
            beat(36, J1, J2),
            reach(24, 58, 78, J1, RH),
            reach(26, 84, 104, RH, T3),
            reach(26, 108, 126, SR, RH),
            run(34, S1, SR),
        ),
        motor_min=5,
    ),
    Day(
        "2026-06-07",
        "09:40",
        ((0, 10.0), (60, 12.2), (155, 11.0)),
        240,
        -3,
        ((0, "flat"), (80, "moderate")),
        (0.5, 75),
        "tag.gz",
        (
            beat(40, J1, J2),
            reach(30, 84, 100, T3, SR),
            reach(26, 58, 72, J1, RH),
            reach(24, 112, 126, S2, S1),
            run(38, S1, S2),
        ),
    ),
    Day(
        "2026-06-13",
        "10:30",
        ((0, 13.5), (80, 16.5), (150, 15.5)),
        285,
        6,
        ((0, "moderate"),),
        (0.4, 200),
        "nmea.gz",
        (beat(40, J2, J4), reach(30, 66, 84, JS, T3), reach(28, 98, 114, SR, S2), run(34, S2, S1), beat(20, J2, J1)),
        motor_min=4,
    ),
    Day(
        "2026-06-14",
        "11:00",
        ((0, 9.5), (50, 11.5), (110, 14.5), (150, 15.0)),
        270,
        2,
        ((0, "moderate"),),
        (0.45, 185),
        "csv",
        (beat(34), run(26), beat(28), reach(26, 96, 88), run(30)),
        race="Lantern Bank Race",
    ),
    Day(
        "2026-06-27",
        "10:10",
        ((0, 16.5), (60, 18.5), (150, 20.5)),
        310,
        -4,
        ((0, "moderate"), (70, "rough")),
        (0.6, 120),
        "nmea.gz",
        (
            beat(44, J2, J4),
            reach(26, 64, 80, JS, J4),
            reach(24, 84, 96, T3, SR),
            reach(22, 108, 122, S2, SR),
            run(20, S2),
            beat(18, J4, R1),
        ),
    ),
    Day(
        "2026-07-04",
        "09:55",
        ((0, 5.6), (90, 8.2), (150, 7.4)),
        200,
        8,
        ((0, "flat"),),
        (0.3, 310),
        "rfc.gz",
        (
            beat(40, J1, J2),
            reach(30, 64, 90, RH, J1),
            reach(26, 104, 120, RH, SR),
            run(36, S1, S2),
            reach(16, 96, 106, T3, RH),
        ),
        motor_min=6,
    ),
    Day(
        "2026-07-05",
        "11:20",
        ((0, 12.5), (45, 11.0), (100, 13.5), (150, 12.0)),
        225,
        -6,
        ((0, "moderate"),),
        (0.55, 330),
        "nmea.gz",
        (beat(32), run(26), reach(24, 70, 80), beat(26), run(34)),
        race="Two Buoys Cup, race 1",
    ),
    Day(
        "2026-07-11",
        "10:00",
        ((0, 9.0), (75, 10.5), (150, 12.5)),
        250,
        3,
        ((0, "flat"),),
        (0.4, 90),
        "csv.gz",
        (beat(36, J1, J2), reach(28, 76, 96, RH, T3), reach(26, 98, 112, SR, T3), run(40, S1, S2), beat(20, J2, J1)),
    ),
    Day(
        "2026-07-18",
        "10:45",
        ((0, 20.0), (60, 23.0), (110, 25.0), (145, 23.5)),
        295,
        5,
        ((0, "rough"),),
        (0.7, 250),
        "nmea.gz",
        (
            beat(44, J4, R1),
            reach(26, 72, 92, JS, J4),
            reach(22, 96, 108, JS, T3),
            reach(20, 108, 120, SR, S2),
            run(30, S2),
        ),
    ),
    Day(
        "2026-07-25",
        "10:20",
        ((0, 12.0), (70, 14.0), (150, 15.5)),
        265,
        -2,
        ((0, "moderate"),),
        (0.5, 60),
        "nmea.gz",
        (
            beat(24, J2, J1),
            reach(34, 82, 98, SR, T3),
            reach(28, 100, 116, SR, S2),
            run(34, S2, S1),
            reach(26, 60, 74, JS, J2),
        ),
    ),
    Day(
        "2026-08-01",
        "10:00",
        ((0, 8.0), (60, 10.5), (100, 14.0), (150, 18.0), (175, 18.5)),
        235,
        9,
        ((0, "flat"), (95, "moderate")),
        (0.5, 20),
        "split.gz",
        (beat(36), run(34), reach(22, 60, 100), beat(36), run(30)),
        race="Far Ledge Trophy",
        break_min=(70.5, 14.0),
    ),
    Day(
        "2026-08-02",
        "10:35",
        ((0, 15.0), (75, 17.5), (150, 16.0)),
        280,
        2,
        ((0, "moderate"),),
        (0.45, 170),
        "nmea.gz",
        (beat(44, J2, J4), reach(28, 76, 90, JS, T3), reach(26, 92, 106, SR, T3), run(34, S2, S1), beat(16, J4, R1)),
    ),
    Day(
        "2026-08-08",
        "09:50",
        ((0, 6.5), (60, 9.0), (150, 11.5)),
        215,
        5,
        ((0, "flat"),),
        (0.35, 280),
        "csv.gz",
        (
            reach(28, 62, 84, RH, J1),
            reach(26, 102, 118, SR, RH),
            run(44, S1, SR),
            beat(40, J1, J2),
            reach(12, 120, 126, S2),
        ),
        motor_min=4,
    ),
    Day(
        "2026-08-15",
        "10:15",
        ((0, 19.0), (80, 21.5), (145, 18.0)),
        300,
        -5,
        ((0, "rough"),),
        (0.6, 100),
        "nmea.gz",
        (
            beat(40, R1, J4),
            reach(28, 68, 86, JS, J4),
            reach(24, 90, 104, SR, JS),
            reach(22, 110, 126, S2, SR),
            run(28, S2),
        ),
    ),
)

# Weed on the keel, noticed afterwards: the boat sailed slow, and the crew wrote the stretch into exclude.csv.
FOUL_STRETCH = ("2026-07-11", 70.0, 13.0, "weed round the keel")

"""Sails the invented yacht through a day of the plan, second by second: helm, crew, tacks, sail changes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_maker.boat_model import KN
from demo_maker.dice import Dice
from demo_maker.sail_wardrobe import NAMED_SETS, RECUT_DATE
from demo_maker.season_plan import CREW, FOUL_STRETCH, Day, Leg
from demo_maker.speed_tables import TWA_DEG, TWS_KN, Table, belief, best_angles, table_of
from demo_maker.weather import Weather

Floats = NDArray[np.float64]

ENGINE = "engine"
CHANGE_S = {"headsail": 55.0, "spinnaker": 95.0}
LATE_S = 240.0  # how long the crew looks at a wrong sail before it acts
MIN_GAIN = 0.006  # and how much they must believe to gain
TACK_EVERY_S = (400.0, 620.0)


@dataclass
class Track:
    """What really happened, one value a second, and the true times of sail changes."""

    ctw_deg: Floats
    bsp_kn: Floats
    twa_deg: Floats
    heel_deg: Floats
    leeway_deg: Floats  # signed, to starboard positive
    rudder_deg: Floats
    set_index: NDArray[np.int64]
    names: list[str]
    changes: list[tuple[int, str, str]] = field(default_factory=list)  # second, from, to


def seconds_of(day: Day) -> int:
    """Length of the day's log in seconds, the gap included."""
    total = day.motor_min + sum(leg.minutes for leg in day.legs) + (day.break_min[1] if day.break_min else 0.0)
    return round(total * 60.0)


@dataclass
class _Helm:
    """The state of boat and helm."""

    ctw_deg: float
    bsp_kn: float
    tack: float = 1.0  # +1: wind from starboard
    turn_deg_s: float = 0.0
    overshoot_deg: float = 0.0
    trim: float = 1.0
    heel_deg: float = 0.0
    since_turn_s: float = 999.0
    sail_set: str = ENGINE
    pending: str | None = None
    change_left_s: float = 0.0
    wish: str | None = None
    wish_s: float = 0.0


class _Crew:
    """Chooses a set by the designed chart, late."""

    def __init__(self, recut: bool) -> None:
        self.recut = recut
        self.believed = {n: table_of(n, recut).bsp_kn * belief(n, TWS_KN, TWA_DEG) for n in NAMED_SETS}

    def best(self, leg: Leg, tws_kn: float, twa_deg: float, flown: str) -> tuple[str, float]:
        """Set believed best for this leg and what it is believed to gain on the one flown (a share)."""
        i = int(np.clip(round(tws_kn) - TWS_KN[0], 0, TWS_KN.size - 1))
        if leg.kind == "reach":
            j = int(np.clip(round((twa_deg - TWA_DEG[0]) / 2.5), 0, TWA_DEG.size - 1))
            score = {n: v[i, j] for n, v in self.believed.items()}
        else:
            sign = 1.0 if leg.kind == "beat" else -1.0
            made_good = sign * np.cos(np.radians(TWA_DEG))
            score = {n: float((v[i] * made_good).max()) for n, v in self.believed.items()}
        top = max(score, key=lambda n: score[n])
        return top, score[top] / score.get(flown, 0.5 * score[top]) - 1.0


def sail_day(day: Day, wind: Weather) -> Track:
    """Sails the day. All randomness comes from dice named after the day."""
    n = seconds_of(day)
    recut = day.date >= RECUT_DATE
    dice = Dice(f"helm {day.date}")
    yaw, rudder_noise, luck = dice.wander(n, 1.1, 14.0), dice.normal(n), dice.uniform(400)
    track = Track(*(np.zeros(n) for _ in range(6)), np.zeros(n, dtype=np.int64), [ENGINE])
    helm = _Helm(ctw_deg=day.twd_deg - 60.0, bsp_kn=6.5)
    crew = _Crew(recut)
    legs = _seconds_with_legs(day, n)
    tws_felt, twd_felt = float(wind.tws_kn[0]), float(wind.twd_deg[0])
    next_turn_s, turns, previous = 0.0, 0, None
    for s in range(n):
        leg, into_s = legs[s]
        tws_felt += (float(wind.tws_kn[s]) - tws_felt) / 90.0
        twd_felt += (float(wind.twd_deg[s]) - twd_felt) / 12.0
        if leg is not previous:
            previous, next_turn_s = leg, into_s + TACK_EVERY_S[0] + luck[turns % 400] * 120.0
            helm.since_turn_s, helm.wish, helm.wish_s = 0.0, None, 0.0
        goal = _goal_deg(leg, into_s, tws_felt, helm, recut)
        if into_s >= next_turn_s and helm.change_left_s <= 0.0 and leg.minutes * 60.0 - into_s > 150.0:
            helm.tack, helm.since_turn_s, turns = -helm.tack, 0.0, turns + 1
            helm.overshoot_deg = 7.0 if leg.kind == "beat" else -9.0
            lo, hi = TACK_EVERY_S
            next_turn_s = into_s + lo + (hi - lo) * luck[turns % 400]
            helm.trim = 0.86
        _choose_sails(leg, into_s, tws_felt, goal, helm, crew, track, s)
        _steer(leg, goal, twd_felt, float(yaw[s]), helm)
        _move(day, leg, s, wind, helm, recut, track, float(rudder_noise[s]))
    return track


def _seconds_with_legs(day: Day, n: int) -> list[tuple[Leg, float]]:
    """For each second the leg and the seconds into it; instruments off counts as sailing on."""
    out: list[tuple[Leg, float]] = []
    plan = ([Leg("motor", day.motor_min)] if day.motor_min else []) + list(day.legs)
    for leg in plan:
        out += [(leg, float(k)) for k in range(round(leg.minutes * 60))]
    return out + [out[-1]] * (n - len(out))


def _goal_deg(leg: Leg, into_s: float, tws_kn: float, helm: _Helm, recut: bool) -> float:
    """The true wind angle aimed at (unsigned)."""
    if leg.kind == "motor":
        return 60.0
    if leg.kind == "reach":
        share = into_s / (leg.minutes * 60.0)
        return leg.twa_deg[0] + (leg.twa_deg[1] - leg.twa_deg[0]) * share
    name = helm.sail_set if helm.sail_set != ENGINE else "J1"
    up, _, down, _ = best_angles(name, recut)
    wave = 2.5 * np.sin(into_s / 170.0) if leg.kind == "beat" else 4.0 * np.sin(into_s / 210.0)
    if leg.kind == "beat":
        return float(np.clip(np.interp(tws_kn, TWS_KN, up), 37.0, 52.0) + wave)
    return float(np.clip(np.interp(tws_kn, TWS_KN, down), 135.0, 172.0) + wave)


def _choose_sails(
    leg: Leg, into_s: float, tws_kn: float, goal: float, helm: _Helm, crew: _Crew, track: Track, s: int
) -> None:
    """Start, carry on or finish a sail change."""
    if helm.change_left_s > 0.0:
        helm.change_left_s -= 1.0
        if helm.change_left_s <= 0.0 and helm.pending:
            helm.sail_set, helm.pending = helm.pending, None
        return
    if leg.kind == "motor":
        return
    if leg.sails == (CREW,):
        wanted = _crew_wish(leg, into_s, tws_kn, goal, helm, crew)
    else:
        wanted = leg.sails[int(into_s / (leg.turn_min * 60.0)) % len(leg.sails)]
    if wanted == helm.sail_set or (helm.since_turn_s < 25.0 and into_s > 30.0):
        return
    track.changes.append((s, helm.sail_set, wanted))
    helm.change_left_s = change_s(helm.sail_set, wanted)
    helm.pending = wanted
    if helm.sail_set == ENGINE:
        helm.sail_set, helm.pending = wanted, None


def change_s(old: str, new: str) -> float:
    """How long a change from one set to another takes."""
    kites = any(k in f"{new}+{old}" for k in ("S1", "S2", "SR"))
    return CHANGE_S["spinnaker" if kites else "headsail"]


def _crew_wish(leg: Leg, into_s: float, tws_kn: float, goal: float, helm: _Helm, crew: _Crew) -> str:
    """The set the crew flies: a new leg gets the believed best at once, later changes come late and only for a gain."""
    top, gain = crew.best(leg, tws_kn, goal, helm.sail_set)
    if into_s < 2.0:
        return top
    helm.wish_s = helm.wish_s + 1.0 if top != helm.sail_set and gain > MIN_GAIN else 0.0
    return top if helm.wish_s > LATE_S else helm.sail_set


def _steer(leg: Leg, goal: float, twd_felt: float, yaw: float, helm: _Helm) -> None:
    """Turns the boat: quick and with overshoot through a tack or gybe, gently otherwise."""
    helm.since_turn_s += 1.0
    helm.overshoot_deg *= np.exp(-1.0 / 16.0)
    wanted = twd_felt - helm.tack * (goal + helm.overshoot_deg) + yaw
    error = (wanted - helm.ctw_deg + 180.0) % 360.0 - 180.0
    turning = helm.since_turn_s < 40.0
    limit = (8.0 if leg.kind == "beat" else 5.5) if turning else 2.5
    rate = float(np.clip(error / (2.2 if turning else 6.0), -limit, limit))
    helm.turn_deg_s += float(np.clip(rate - helm.turn_deg_s, -2.5, 2.5))
    helm.ctw_deg = (helm.ctw_deg + helm.turn_deg_s) % 360.0


def _move(day: Day, leg: Leg, s: int, wind: Weather, helm: _Helm, recut: bool, track: Track, noise: float) -> None:
    """Speed follows its steady value with a lag, quicker down than up; heel with a shorter one."""
    tws = float(wind.tws_kn[s])
    twa = (float(wind.twd_deg[s]) - helm.ctw_deg + 180.0) % 360.0 - 180.0
    if helm.sail_set == ENGINE:
        target, heel, leeway = 7.4, 1.5, 0.0
    else:
        table: Table = table_of(helm.sail_set, recut)
        target, heel, leeway = table.at(tws, abs(twa))
        off = min(max((abs(twa) - 60.0) / 60.0, 0.0), 1.0)
        target *= (1.0 - off) * float(wind.factor_up[s]) + off * float(wind.factor_down[s])
        date, start, length, _ = FOUL_STRETCH
        if day.date == date and start * 60.0 <= s < (start + length) * 60.0:
            target *= 0.90
    helm.trim += (1.0 - helm.trim) / 18.0
    target *= helm.trim * (0.90 if helm.change_left_s > 0.0 else 1.0)
    helm.bsp_kn += (target - helm.bsp_kn) / (13.0 if target > helm.bsp_kn else 17.0)
    helm.heel_deg += (heel * (1.0 if twa < 0.0 else -1.0) - helm.heel_deg) / 3.0
    if helm.sail_set not in track.names:
        track.names.append(helm.sail_set)
    track.ctw_deg[s], track.bsp_kn[s], track.twa_deg[s] = helm.ctw_deg, helm.bsp_kn, twa
    track.heel_deg[s] = helm.heel_deg
    track.leeway_deg[s] = leeway * (1.0 if twa < 0.0 else -1.0)
    helm_deg = helm.turn_deg_s * 10.0 / max(helm.bsp_kn, 2.0) * KN * 2.0
    track.rudder_deg[s] = helm_deg - 0.12 * helm.heel_deg + 0.6 * noise
    track.set_index[s] = track.names.index(helm.sail_set)

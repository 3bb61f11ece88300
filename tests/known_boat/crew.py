"""Invented crews: the legs of a day, tacks and gybes, and which set is up when, chosen from the designed chart.

The crew believes the designer, with opinions of its own; it changes late, stays with what is up, and on training days
sails one set against another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.known_boat.boat import Floats, KnownBoat
from tests.known_boat.designer import CHART_TWS_KN, Designer
from tests.known_boat.weather import lagged

DECISION_S = 20.0
# Common practice, no source: a change in mid-leg must promise so much, and be seen so long, before a crew moves.
WORTH_A_CHANGE = 0.012
WORTH_A_CHANGE_AT_A_MARK = 0.004
PATIENCE_S = (100.0, 320.0)


@dataclass(frozen=True)
class Leg:
    """A stretch of one intention. `twa_deg` is None where the crew sails its best angle to or from the wind."""

    start_s: float
    end_s: float
    kind: str  # "beat", "run", "reach", "pair"
    twa_deg: float | None
    pair: tuple[str, str] | None = None


@dataclass(frozen=True)
class DaySailed:
    """Steering and sails of a day: commanded signed TWA (unwrapped), its legs, the set up at each step, manoeuvres."""

    legs: tuple[Leg, ...]
    command_deg: Floats
    effort: Floats  # 1, less where sails flog or collapse
    set_index: np.ndarray
    manoeuvres: tuple[tuple[float, str], ...]
    races: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Crew:
    """One crew for the season: opinions per set, how late it is, how high it sails."""

    opinion: Floats
    high_deg: float
    deep_deg: float
    lateness: float
    unsteadiness_deg: float


def make_crew(boat: KnownBoat, rng: np.random.Generator) -> Crew:
    return Crew(
        opinion=rng.normal(0, 0.006, len(boat.sets)),
        high_deg=float(rng.normal(0, 1.2)),
        deep_deg=float(rng.normal(0, 2.5)),
        lateness=float(rng.uniform(0.7, 1.5)),
        unsteadiness_deg=float(rng.uniform(1.2, 2.4)),
    )


def plan_legs(kind: str, length_s: float, rng: np.random.Generator) -> tuple[list[Leg], list[tuple[float, float]]]:
    """The legs of a day of that kind ("windward-leeward", "coastal", "training"), and its races."""
    legs: list[Leg] = []
    races: list[tuple[float, float]] = []

    def add(kind: str, minutes: float, twa: float | None = None) -> None:
        start = legs[-1].end_s if legs else 0.0
        if start < length_s - 60:
            legs.append(Leg(start, min(start + 60.0 * minutes, length_s), kind, twa))

    def reach(minutes: float) -> None:
        # reaches of a course are spread over the angles, more of them beam to broad
        add("reach", minutes, float(rng.choice([rng.uniform(52, 85), rng.uniform(75, 125), rng.uniform(105, 150)])))

    while not legs or legs[-1].end_s < length_s - 60:
        reach(rng.uniform(5, 9))
        begin = legs[-1].end_s
        if kind == "windward-leeward":
            for _ in range(2):
                add("beat", rng.uniform(11, 19))
                if rng.random() < 0.3:
                    reach(rng.uniform(6, 10))
                add("run", rng.uniform(9, 15))
            races.append((begin, legs[-1].end_s))
        elif kind == "coastal":
            for _ in range(rng.integers(4, 7)):
                leg = rng.choice(["reach", "reach", "reach", "beat", "run"])
                reach(rng.uniform(13, 30)) if leg == "reach" else add(str(leg), rng.uniform(14, 26))
            races.append((begin, legs[-1].end_s))
        else:
            for _ in range(4):
                add(
                    "pair",
                    rng.uniform(26, 38),
                    float(rng.choice([0.0, 1.0, rng.uniform(55, 150), rng.uniform(55, 150)])),
                )
    return legs, [(a, b) for a, b in races if b - a > 900]


def sail_the_day(
    boat: KnownBoat,
    designer: Designer,
    crew: Crew,
    kind: str,
    tws_kn: Floats,
    dt_s: float,
    rng: np.random.Generator,
) -> DaySailed:
    """Legs, steering and sets for one day in the given wind (over the water, 10 m)."""
    n = tws_kn.size
    length = n * dt_s
    legs, races = plan_legs(kind, length, rng)
    felt = lagged(tws_kn, dt_s, 25.0)
    up, down = designer.best_angles_deg
    close = np.interp(felt, CHART_TWS_KN, up) + crew.high_deg
    broad = np.interp(felt, CHART_TWS_KN, down) + crew.deep_deg
    broad = np.minimum(broad, 172.0)
    size = np.zeros(n)
    states = _tacks_of(boat, legs, length, rng)
    legs = _fixed_angles(legs, close, broad, dt_s)
    for leg in legs:
        here = _span(leg.start_s, leg.end_s, dt_s, n)
        size[here] = {"beat": close[here], "run": broad[here]}.get(leg.kind, leg.twa_deg)
    # helms do not follow every gust
    size = lagged(size, dt_s, 4.0)
    set_index, changes = _choose_sets(boat, designer, crew, legs, size, felt, dt_s, rng)
    command, manoeuvres = _steer(boat, states, size, dt_s)
    effort = _effort(boat, n, dt_s, manoeuvres, changes, rng)
    return DaySailed(tuple(legs), command, effort, set_index, tuple(manoeuvres), tuple(races))


def _span(start_s: float, end_s: float, dt_s: float, n: int) -> slice:
    return slice(int(np.clip(round(start_s / dt_s), 0, n)), int(np.clip(round(end_s / dt_s), 0, n)))


def _fixed_angles(legs: list[Leg], close: Floats, broad: Floats, dt_s: float) -> list[Leg]:
    """Training pairs marked 0 and 1 are sailed close-hauled and running; their angle is held while they last."""
    out = []
    for leg in legs:
        twa = leg.twa_deg
        if leg.kind == "pair" and twa is not None and twa < 2.0:
            here = _span(leg.start_s, leg.end_s, dt_s, close.size)
            twa = float(np.mean((close if twa == 0.0 else broad)[here]))
        out.append(Leg(leg.start_s, leg.end_s, leg.kind, twa, leg.pair))
    return out


def _tacks_of(boat: KnownBoat, legs: list[Leg], length_s: float, rng: np.random.Generator) -> list[tuple[float, int]]:
    """Times at which the boat goes to the other tack, as (time, new side)."""
    side = int(rng.choice([-1, 1]))
    states = [(0.0, side)]
    board_s = 150.0 + 9.0 * boat.loa_m
    for leg in legs:
        if leg.start_s > 0 and rng.random() < 0.5:
            side = -side
            states.append((leg.start_s, side))
        if leg.kind in ("beat", "run"):
            t = leg.start_s + board_s * rng.uniform(0.7, 1.6)
            while t < leg.end_s - 60:
                side = -side
                states.append((t, side))
                t += board_s * rng.uniform(0.7, 1.9)
        elif leg.kind == "pair":
            # once, half way, so that both sets are sailed on both tacks
            side = -side
            states.append((0.5 * (leg.start_s + leg.end_s), side))
    return [s for s in states if s[0] < length_s - 30]


def _steer(
    boat: KnownBoat, states: list[tuple[float, int]], size: Floats, dt_s: float
) -> tuple[Floats, list[tuple[float, str]]]:
    """The commanded angle, unwrapped so that a gybe turns through 180 and a tack through 0, and the manoeuvres."""
    n = size.size
    side = np.empty(n)
    turns = np.zeros(n)
    manoeuvres: list[tuple[float, str]] = []
    whole = 0.0
    bounds = [*(min(round(t / dt_s), n) for t, _ in states), n]
    for i, (t, s) in enumerate(states):
        a, b = bounds[i], bounds[i + 1]
        if i > 0 and a < n:
            before, after = size[max(a - 1, 0)], size[min(a + 5, n - 1)]
            gybes = 0.5 * (before + after) >= 90.0
            manoeuvres.append((t, "gybe" if gybes else "tack"))
            if gybes:
                # from +150 to -150 by way of 180 is to +210
                whole += 360.0 * states[i - 1][1]
        side[a:b] = s
        turns[a:b] = whole
    command = side * size + turns
    for t, kind in manoeuvres:
        if kind == "tack":
            k = np.arange(min(int(60 / dt_s), n - round(t / dt_s)))
            at = round(t / dt_s)
            command[at + k] += side[at + k] * 5.0 * np.exp(-k * dt_s / (1.2 * boat.lag_s))
    width = max(round(boat.turn_s / dt_s), 1)
    for _ in range(2):
        padded = np.concatenate([np.full(width, command[0]), command, np.full(width, command[-1])])
        sums = np.cumsum(padded)
        command = (sums[width:] - sums[:-width])[width // 2 : width // 2 + n] / width
    return command, manoeuvres


def _effort(
    boat: KnownBoat,
    n: int,
    dt_s: float,
    manoeuvres: list[tuple[float, str]],
    changes: list[float],
    rng: np.random.Generator,
) -> Floats:
    t = np.arange(n) * dt_s
    effort = np.ones(n)

    def dip(at: float, depth: float, width: float) -> None:
        here = _span(at - 4 * width, at + 4 * width, dt_s, n)
        effort[here] *= 1.0 - depth * np.exp(-0.5 * ((t[here] - at) / width) ** 2)

    for at, kind in manoeuvres:
        dip(at + 0.5 * boat.turn_s, 0.35 if kind == "gybe" else 0.25, 0.7 * boat.turn_s)
    for at in changes:
        dip(at, float(rng.uniform(0.06, 0.25)), float(rng.uniform(0.5, 1.1)) * (8.0 + 0.9 * boat.loa_m))
    return effort


def _choose_sets(
    boat: KnownBoat,
    designer: Designer,
    crew: Crew,
    legs: list[Leg],
    size: Floats,
    felt: Floats,
    dt_s: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, list[float]]:
    """The set up at each step, and the times of the changes."""
    n = size.size
    step = max(round(DECISION_S / dt_s), 1)
    believed = np.log(designer.speeds_at(lagged(felt, dt_s, 75.0)[::step], size[::step])) + crew.opinion
    changes: list[tuple[float, int]] = []
    now = -1
    for leg in legs:
        a, b = int(leg.start_s / dt_s) // step, int(leg.end_s / dt_s) // step
        begin = min(a + max(int(30 / DECISION_S), 1), believed.shape[0] - 1)
        if leg.kind == "pair":
            now = _sail_pair(leg, believed[begin], now, changes, rng)
            continue
        best = int(believed[begin].argmax())
        if now < 0 or believed[begin, best] - believed[begin, now] > WORTH_A_CHANGE_AT_A_MARK:
            sooner = -25.0 if leg.kind == "beat" else 20.0
            if best != now:
                changes.append((max(leg.start_s + sooner * crew.lateness + rng.normal(0, 8.0), 0.0), best))
            now = best
        now = _during(leg, believed, a, b, step * dt_s, now, crew, changes, rng)
    index = np.empty(n, dtype=np.int64)
    changes.sort(key=lambda c: c[0])
    bounds = [min(round(t / dt_s), n) for t, _ in changes] + [n]
    index[:] = changes[0][1]
    for k, (_, s) in enumerate(changes):
        index[bounds[k] : bounds[k + 1]] = s
    real = [t for k, (t, s) in enumerate(changes) if k > 0 and s != changes[k - 1][1]]
    return index, real


def _sail_pair(leg: Leg, believed: Floats, now: int, changes: list[tuple[float, int]], rng: np.random.Generator) -> int:
    """The two sets believed best, one against the other, in turns of equal length."""
    first, second = (int(i) for i in np.argsort(believed)[::-1][:2])
    order = [first, second, first, second]
    if now == second:
        order = [second, first, second, first]
    turn = (leg.end_s - leg.start_s) / 4.0
    for k, s in enumerate(order):
        if s != now:
            changes.append((leg.start_s + k * turn + float(rng.uniform(0, 15)), s))
        now = s
    return now


def _during(
    leg: Leg,
    believed: Floats,
    a: int,
    b: int,
    step_s: float,
    now: int,
    crew: Crew,
    changes: list[tuple[float, int]],
    rng: np.random.Generator,
) -> int:
    waited, patience = 0.0, float(rng.uniform(*PATIENCE_S)) * crew.lateness
    for i in range(a + 3, min(b, believed.shape[0])):
        t = i * step_s
        if leg.end_s - t < 240.0:
            break
        best = int(believed[i].argmax())
        gain = believed[i, best] - believed[i, now]
        waited = waited + step_s if best != now and gain > WORTH_A_CHANGE else 0.0
        if waited > (patience if gain < 0.06 else 60.0):
            changes.append((t + float(rng.uniform(0, 20)), best))
            now, waited, patience = best, 0.0, float(rng.uniform(*PATIENCE_S)) * crew.lateness
    return now

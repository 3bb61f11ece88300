"""A day of a known boat's season sailed by a running order: its last day, in the very weather of the day as usual."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from unittest import mock

import numpy as np

from tests.known_boat import crew as crews
from tests.known_boat import season as seasons
from tests.known_boat.boat import Floats, KnownBoat
from tests.known_boat.crew import Crew, DaySailed, Leg
from tests.known_boat.designer import Designer

OUT_MIN = 4.0  # to get under way


@dataclass(frozen=True)
class Turn:
    """Minutes of one set at one angle; `changing` tack half-way through, else all on one tack."""

    sail_set: str
    minutes: float
    twa_deg: float
    changing: bool


@contextmanager
def sailed_by(turns: Sequence[Turn], day: int) -> Iterator[None]:
    """Within, `sail_season` sails the day of that number by `turns`, over and over until the day ends."""
    as_usual, sailed = seasons.sail_the_day, [0]

    def sail(
        boat: KnownBoat, designer: Designer, crew: Crew, kind: str, tws: Floats, dt_s: float, rng: np.random.Generator
    ) -> DaySailed:
        sailed[0] += 1
        if sailed[0] - 1 != day:
            return as_usual(boat, designer, crew, kind, tws, dt_s, rng)
        return by_turns(boat, turns, tws.size, dt_s, rng)

    with mock.patch.object(seasons, "sail_the_day", sail):
        yield


def by_turns(boat: KnownBoat, turns: Sequence[Turn], n: int, dt_s: float, rng: np.random.Generator) -> DaySailed:
    """Steering and sails of a day of `n` steps: the turns in order, each change of sails a little late."""
    end_s, start_s = n * dt_s, 60.0 * OUT_MIN
    number = {name: k for k, name in enumerate(boat.set_names)}
    size = np.full(n, turns[0].twa_deg)
    index = np.full(n, number[turns[0].sail_set])
    legs, changes = [], []
    side = 1
    states = [(0.0, side)]
    k = 0
    while start_s < end_s - 120.0:
        turn = turns[k % len(turns)]
        stop_s = min(start_s + 60.0 * turn.minutes, end_s)
        legs.append(Leg(start_s, stop_s, "pair", turn.twa_deg))
        size[round(start_s / dt_s) : round(stop_s / dt_s)] = turn.twa_deg
        at = start_s + float(rng.uniform(0, 15))
        now = round(at / dt_s)
        if index[max(now - 1, 0)] != number[turn.sail_set]:
            changes.append(at)
        index[now:] = number[turn.sail_set]
        if turn.changing and 0.5 * (start_s + stop_s) < end_s - 60.0:
            side = -side
            states.append((0.5 * (start_s + stop_s), side))
        start_s, k = stop_s, k + 1
    size[round(start_s / dt_s) :] = size[max(round(start_s / dt_s) - 1, 0)]
    command, manoeuvres = crews._steer(boat, states, crews.lagged(size, dt_s, 4.0), dt_s)
    effort = crews._effort(boat, n, dt_s, manoeuvres, changes, rng)
    return DaySailed(tuple(legs), command, effort, index, tuple(manoeuvres), ())

"""Seconds lost in each stretch of a race against the fastest set, as expected and in joint draws.

The loss of a stretch is what the fastest set would have saved over the same water: the time sailed times one minus the
ratio of speeds, at the wind and angle of each piece of it. Against the fastest of all the boat's sets in each draw, so
that the interval holds the luck of the draw (the best of several estimates looks better than it is) and sets that were
never tried there (`unseen`); and with the log's times (`log_times`) and names (`wrong_names`) in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import Ints
from pipeline.decisions.log_times import delays_s
from pipeline.decisions.race_stretches import Pieces
from pipeline.decisions.surface_lookup import Bools, Places, look_up, places_of, supported_at
from pipeline.decisions.wrong_names import Doubt
from pipeline.surfaces.season import SeasonFit

# A change written down so much too late or early is a wrong tag, not a slip of the pen.
FURTHEST_S = 180.0
# Share of a stretch for which the set flown must be supported; the rest is then taken to be like it.
LEAST_COVERED = 0.5
# Draws of all sets are held for so many pieces (some four hours) at once.
PIECES_AT_ONCE = 512


@dataclass(frozen=True, slots=True)
class RaceLoss:
    """Per stretch (m,): `covered_s`, its time where the set flown is supported for half of it and more, else 0;
    `best`, index of the set with the highest expected speed over it (-1 where it is not covered); `expected_s` lost
    against that one; `draws_s` (draws, m) lost against the fastest of all; `chance_slower`: share of the draws in which
    the set flown was slower than `best`.
    """

    covered_s: Floats
    best: Ints
    expected_s: Floats
    draws_s: Floats
    chance_slower: Floats


def race_loss(
    fit: SeasonFit,
    draws: Floats,
    pieces: Pieces,
    segment_start_s: Floats,
    step_s: float,
    seed: int,
    doubt: Doubt,
) -> RaceLoss:
    """Losses of every stretch of `pieces` (at least one).

    `draws` (draws, sets, tws, twa): joint draws of log speed, as `with_unseen` leaves them. `segment_start_s`: start of
    each row of the segments. `step_s`: to what the sail log's times are rounded. `doubt`: where another set may have
    been up; only the draws heed it.
    """
    places = places_of(fit, pieces.tws_kn, pieces.twa_deg)
    supported = supported_at(fit, places)
    at = np.arange(len(pieces))
    flown = np.maximum(pieces.set_number, 0)
    covered = (pieces.set_number >= 0) & supported[flown, at]
    weight = _weights(pieces, covered)
    best, expected = _expected(fit, places, supported, flown, weight, pieces)
    up = np.where(doubt.switched(len(draws), seed), doubt.other, flown)
    total, slower = _against(draws, places, up, weight, pieces, best)
    for change in _changes(pieces, segment_start_s):
        _add_delay(total, change, draws, places, pieces, weight, step_s, seed)
    covered_s = np.add.reduceat(weight, pieces.first)
    return RaceLoss(covered_s, np.where(covered_s > 0, best, -1), expected, np.maximum(total, 0.0), slower)


def _against(
    draws: Floats, places: Places, up: Ints, weight: Floats, pieces: Pieces, best: Ints
) -> tuple[Floats, Floats]:
    """Seconds lost against the fastest of all in each draw (draws, m), and the chance (m,) of `best` being faster than
    the set that was up, (draws, n).
    """
    first = pieces.first
    total, slower = np.zeros((len(draws), len(first))), np.zeros(len(first))
    part = first // PIECES_AT_ONCE
    for k in np.unique(part):
        mine = np.flatnonzero(part == k)
        end = first[mine[-1] + 1] if mine[-1] + 1 < len(first) else len(pieces)
        here = slice(int(first[mine[0]]), int(end))
        place = Places(places.node[:, here], places.weight[:, here], places.inside[here])
        lost = np.nan_to_num(_rates(draws, place, up[:, here]) * weight[here])
        by_set = np.add.reduceat(lost, first[mine] - here.start, axis=-1)
        total[:, mine] = np.maximum(by_set.max(axis=1), 0.0)
        slower[mine] = (by_set[:, best[mine], np.arange(len(mine))] > 0.0).mean(axis=0)
    return total, slower


def _weights(pieces: Pieces, covered: Bools) -> Floats:
    """Seconds that each piece stands for: those of a stretch go to its covered pieces, where these are enough."""
    mine = np.where(covered, pieces.seconds, 0.0)
    whole, known = (np.add.reduceat(s, pieces.first) for s in (pieces.seconds, mine))
    scale = np.where(known >= LEAST_COVERED * whole, whole / np.maximum(known, 1e-9), 0.0)
    return mine * scale[pieces.stretch]


def nothing_known(pieces: Pieces) -> RaceLoss:
    """The losses of a race in a season without surfaces."""
    none = np.zeros(len(pieces.first))
    return RaceLoss(none, np.full(len(none), -1), none, none[None], none)


def _rates(log_speed: Floats, places: Places, up: Ints) -> Floats:
    """Share of the time that each set would have saved on the one that is up (..., n) in each piece, (..., sets, n)."""
    every = look_up(log_speed, places)
    mine = np.take_along_axis(every, up[..., None, :], axis=-2)
    return 1.0 - np.exp(mine - every)


def _expected(
    fit: SeasonFit, places: Places, supported: Bools, flown: Ints, weight: Floats, pieces: Pieces
) -> tuple[Ints, Floats]:
    rates = np.where(supported, np.nan_to_num(_rates(fit.log_speed, places, flown)), 0.0)
    by_set = np.add.reduceat(rates * weight, pieces.first, axis=-1)
    # The set flown saves nothing on itself: it is named where no other saves anything.
    by_set[flown[pieces.first], np.arange(by_set.shape[1])] = 1e-12
    best = by_set.argmax(axis=0)
    return best.astype(np.int64), np.where(best == flown[pieces.first], 0.0, by_set.max(axis=0))


@dataclass(frozen=True, slots=True)
class _Change:
    number: int
    at_s: float
    before: int
    after: int
    stretch_before: int
    stretch_after: int


def _changes(pieces: Pieces, segment_start_s: Floats) -> list[_Change]:
    """Changes of set within a race."""
    cut = np.flatnonzero((np.diff(pieces.segment) != 0) & (np.diff(pieces.race) == 0)) + 1
    sets, stretch = pieces.set_number, pieces.stretch
    return [
        _Change(n, float(segment_start_s[pieces.segment[i]]), sets[i - 1], sets[i], stretch[i - 1], stretch[i])
        for n, i in enumerate(cut)
        if sets[i - 1] >= 0 and sets[i] >= 0 and sets[i - 1] != sets[i]
    ]


def _add_delay(
    total: Floats,
    change: _Change,
    draws: Floats,
    places: Places,
    pieces: Pieces,
    weight: Floats,
    step_s: float,
    seed: int,
) -> None:
    """Add to the stretches beside a change what its true moment, earlier or later than logged, makes of the loss."""
    near = np.flatnonzero(
        (pieces.race == pieces.race[np.searchsorted(pieces.stretch, change.stretch_after)])
        & (pieces.end_s > change.at_s - FURTHEST_S)
        & (pieces.start_s < change.at_s + FURTHEST_S)
        & (weight > 0)
    )
    if near.size == 0:
        return
    here = Places(places.node[:, near], places.weight[:, near], places.inside[near])
    every = np.nan_to_num(look_up(draws, here), nan=-np.inf)
    top = every.max(axis=1)
    loss = [-np.expm1(np.minimum(every[:, k] - top, 0.0)) for k in (change.before, change.after)]
    excess = loss[0] - loss[1]  # per second that the old set was up instead of the new one
    late = delays_s(len(draws), 1, step_s, seed + 1 + change.number)[:, 0]
    true_s = change.at_s - np.clip(late, -FURTHEST_S, FURTHEST_S)
    start, end = pieces.start_s[near], pieces.end_s[near]
    low, high = np.minimum(true_s, change.at_s)[:, None], np.maximum(true_s, change.at_s)[:, None]
    moved = np.clip(np.minimum(end, high) - np.maximum(start, low), 0.0, None)
    total_excess = (moved * excess).sum(axis=1)
    total[:, change.stretch_after] += np.where(late < 0, total_excess, 0.0)
    total[:, change.stretch_before] -= np.where(late >= 0, total_excess, 0.0)

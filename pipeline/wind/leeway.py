"""Leeway from heel and speed, and the true wind that goes with it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.angles import Floats
from pipeline.wind.triangle import true_angle_from_apparent, true_from_apparent

MOST_DEG = 12.0
FADE_END_DEG = 150.0
FADE_SPAN_DEG = 60.0

_PLAIN_STEPS = 3
_BISECTIONS = 26  # of 12 deg, to below what counts as settled
_SETTLED_DEG = 1e-6
_CHORDS = 2


def leeway_size_deg(
    heel_to_leeward_deg: ArrayLike, bsp_kn: ArrayLike, twa_deg: ArrayLike, leeway_coefficient: ArrayLike
) -> Floats:
    """Size of the leeway in degrees: k x heel / BSP^2 x clip((150 - |TWA|) / 60, 0, 1), at most 12.

    `heel_to_leeward_deg` is positive when the boat heels away from the wind; heel to windward gives 0. The speed may be
    0 (the bound holds then); a missing value gives NaN.
    Source: k heel / V^2 with k near 8 is a navigators' rule, in the form of Garrett, The Symmetry of Sailing, 1987
    (464 sin(heel) / V^2 for one 12.2 m boat); bound and fading off the wind are the project's own definition.
    """
    heel = np.maximum(np.asarray(heel_to_leeward_deg, dtype=float), 0.0)
    bsp = np.asarray(bsp_kn, dtype=float)
    fade = np.clip((FADE_END_DEG - np.abs(np.asarray(twa_deg, dtype=float))) / FADE_SPAN_DEG, 0.0, 1.0)
    push = np.asarray(leeway_coefficient, dtype=float) * heel * fade
    square = bsp * bsp
    bounded = push > MOST_DEG * square  # asked before dividing, so that no speed is too low
    size = push / np.where(bounded | (square == 0.0), 1.0, square)
    return np.where(bounded, MOST_DEG, np.where(np.isnan(bsp), np.nan, size))


def true_wind_with_leeway(
    awa_deg: ArrayLike, aws_kn: ArrayLike, bsp_kn: ArrayLike, heel_deg: ArrayLike, leeway_coefficient: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Leeway (positive to starboard), true wind angle from the course (degrees) and true wind speed (kn).

    `awa_deg`, `aws_kn` are horizontal and from the bow. `heel_deg` is positive to starboard; the side of the leeway
    comes from the wind, heel to windward gives none, a missing heel gives none. Leeway fades with the true wind angle,
    which itself depends on leeway: a few plain steps, then bisection for the few samples that have not settled.
    """
    awa, aws, bsp, heel, k = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (awa_deg, aws_kn, bsp_kn, heel_deg, leeway_coefficient))
    )
    windward = np.sign(awa)  # +1 with the wind from starboard
    to_leeward = np.nan_to_num(-heel * windward)
    size = leeway_size_deg(to_leeward, bsp, 0.0, k)
    twa, tws = true_from_apparent(awa, aws, bsp, -windward * size)
    open_now = np.flatnonzero((size > 0.0) & (np.abs(twa) > FADE_END_DEG - FADE_SPAN_DEG))
    if open_now.size:
        a, s, v = awa[open_now], aws[open_now], bsp[open_now]
        settled = _settle(a, s, v, to_leeward[open_now], k[open_now], twa[open_now], windward[open_now])
        size, twa, tws = size.copy(), twa.copy(), tws.copy()
        size[open_now] = settled
        twa[open_now], tws[open_now] = true_from_apparent(a, s, v, -windward[open_now] * settled)
    return -windward * size, twa, tws


def _settle(
    awa: Floats, aws: Floats, bsp: Floats, to_leeward: Floats, k: Floats, twa: Floats, windward: Floats
) -> Floats:
    """Leeway that agrees with the true wind angle it gives; `twa` is the angle without fading."""
    size = leeway_size_deg(to_leeward, bsp, twa, k)
    for _ in range(_PLAIN_STEPS):
        size, before = _answer(size, awa, aws, bsp, to_leeward, k, windward), size
    rest = np.flatnonzero(np.abs(size - before) > _SETTLED_DEG)
    if rest.size:
        args = tuple(v[rest] for v in (awa, aws, bsp, to_leeward, k, windward))
        size[rest] = _agreed(before[rest], size[rest], args)
    return size


def _agreed(before: Floats, size: Floats, args: tuple[Floats, ...]) -> Floats:
    """The leeway that is its own answer, to the last digit as bisection of 0 to 12 deg finds it; `size` answers
    `before`.

    The answer falls as the leeway grows, so that they meet once, but for a boat that makes good more to leeward than
    the wind blows. Chords find the interval that bisection ends in, and where its two ends say so there is nothing to
    bisect.
    """
    awa, aws, bsp, *_ = args
    width = MOST_DEG / 2.0**_BISECTIONS  # exact, as all borders of intervals are
    asked, above, guess = before, size - before, size
    for _ in range(_CHORDS):
        now = _answer(guess, *args) - guess
        bend = np.where(now == above, -1.0, now - above)
        asked, above, guess = guess, now, guess - now * (guess - asked) / bend
    low = np.floor(np.clip(guess / width, 0.0, 2.0**_BISECTIONS - 1.0)) * width
    high = low + width
    sure = ((low == 0.0) | (_answer(low, *args) > low)) & ((high == MOST_DEG) | ~(_answer(high, *args) > high))
    unsure = np.flatnonzero(~sure | (aws < bsp * np.cos(np.radians(awa))))
    if unsure.size:
        low[unsure], high[unsure] = _bisected(tuple(v[unsure] for v in args))
    return 0.5 * (low + high)


def _bisected(args: tuple[Floats, ...]) -> tuple[Floats, Floats]:
    low, high = np.zeros(len(args[0])), np.full(len(args[0]), MOST_DEG)
    for _ in range(_BISECTIONS):
        mid = 0.5 * (low + high)
        more = _answer(mid, *args) > mid
        low, high = np.where(more, mid, low), np.where(more, high, mid)
    return low, high


def _answer(
    size: Floats, awa: Floats, aws: Floats, bsp: Floats, to_leeward: Floats, k: Floats, windward: Floats
) -> Floats:
    twa = true_angle_from_apparent(awa, aws, bsp, -windward * size)
    return leeway_size_deg(to_leeward, bsp, twa, k)

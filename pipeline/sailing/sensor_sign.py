"""Which way round a sensor counts: heel and leeway sensors of contrary sign are common, and nobody writes it down."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from pipeline.angles import Floats

# The wind is then well on one side, and a heel of this size is no list or roll.
NARROWEST_AWA_DEG, WIDEST_AWA_DEG = 20.0, 100.0
LEAST_HEEL_DEG = 3.0
LEAST_LEEWAY_DEG = 1.0
LEAST_SAMPLES = 120
CLEAR_SHARE = 0.8
CLEAR_SHARE_ONE_TACK = 0.95


# Votes on starboard and on port tack, and how many of each are for windward.
Votes = tuple[int, int, int, int]


def sign_votes(signal_deg: Floats, awa_deg: Floats, least_deg: float) -> Votes:
    """How samples vote on the sign of `signal_deg`, which should go to leeward: votes and those for windward, by tack.

    Both are signed to starboard; samples with less than `least_deg`, or with the wind not on the side, do not vote.
    """
    size = np.abs(awa_deg)
    vote = (np.abs(signal_deg) > least_deg) & (size > NARROWEST_AWA_DEG) & (size < WIDEST_AWA_DEG)
    windward = (signal_deg > 0) == (awa_deg > 0)
    sides = (vote & (awa_deg > 0), vote & (awa_deg < 0))
    starboard, port = (int(side.sum()) for side in sides)
    return starboard, port, int((sides[0] & windward).sum()), int((sides[1] & windward).sum())


def is_contrary(votes: Iterable[Votes]) -> bool:
    """True where the signal clearly goes to windward over all the votes.

    With votes from both tacks each must be clear, so that a zero offset does not look like a contrary sign; with one
    tack only nearly all votes must agree.
    """
    starboard, port, *windward = np.sum([(0, 0, 0, 0), *votes], axis=0)
    shares = [w / n for w, n in zip(windward, (starboard, port), strict=True) if n >= LEAST_SAMPLES]
    if not shares:
        return False
    return bool(min(shares) > (CLEAR_SHARE if len(shares) == 2 else CLEAR_SHARE_ONE_TACK))

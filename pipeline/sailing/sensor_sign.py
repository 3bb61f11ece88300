"""Which way round a sensor counts: heel and leeway sensors of contrary sign are common, and nobody writes it down."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats

# The wind is then well on one side, and a heel of this size is no list or roll.
NARROWEST_AWA_DEG, WIDEST_AWA_DEG = 20.0, 100.0
LEAST_HEEL_DEG = 3.0
LEAST_LEEWAY_DEG = 1.0
LEAST_SAMPLES = 120
CLEAR_SHARE = 0.8
CLEAR_SHARE_ONE_TACK = 0.95


def is_contrary(signal_deg: Floats, awa_deg: Floats, least_deg: float) -> bool:
    """True where `signal_deg`, which should go to leeward, clearly goes to windward over the season.

    Both are signed to starboard; samples with less than `least_deg`, or with the wind not on the side, do not vote.
    With votes from both tacks each must be clear, so that a zero offset does not look like a contrary sign; with one
    tack only nearly all votes must agree.
    """
    size = np.abs(awa_deg)
    vote = (np.abs(signal_deg) > least_deg) & (size > NARROWEST_AWA_DEG) & (size < WIDEST_AWA_DEG)
    windward = (signal_deg > 0) == (awa_deg > 0)
    shares = [
        float(windward[side].mean())
        for side in (vote & (awa_deg > 0), vote & (awa_deg < 0))
        if int(side.sum()) >= LEAST_SAMPLES
    ]
    if not shares:
        return False
    return min(shares) > (CLEAR_SHARE if len(shares) == 2 else CLEAR_SHARE_ONE_TACK)

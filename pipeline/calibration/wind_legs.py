"""Legs: which pieces were sailed to the same intention, so that what the helm does in a gust is no evidence.

The answer of the computed wind to a correction depends on the apparent wind of the piece, and that depends on the very
gusts and shifts that blur the wind's course: fitted piece by piece, upwash comes out wrong by degrees (tried on known
boats: -2 to -40 deg). Taken as its mean over a leg, a side and a sail set, the answer hangs on the crew's plan alone
(instrumental variables: Hausman 1978, Econometrica 46, 1251-1271, for why; from memory).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.wind_pieces import Pieces
from pipeline.sailing.stretches import Ints

_NEW_LEG = ("bear away", "round up")


def legs_of(pieces: Pieces, manoeuvres: pl.DataFrame) -> Ints:
    """Number of the leg of each piece: one chunk, between changes of course, on one side, with one sail set."""
    turns = manoeuvres.filter(pl.col("kind").is_in(_NEW_LEG))["start"]
    leg = np.searchsorted(turns.cast(pl.Datetime("us")).to_physical().to_numpy() / 1e6, pieces.time_s)
    key = np.column_stack((pieces.chunk, leg, pieces.twa_deg > 0.0, pieces.sail_set))
    return np.unique(key, axis=0, return_inverse=True)[1].ravel().astype(np.int64)


def mean_over_legs(values: Floats, leg: Ints) -> Floats:
    """Each column (or the one array) replaced by its mean over the leg."""
    if len(leg) == 0:
        return values.copy()
    count = np.bincount(leg)
    table = values.reshape(len(leg), -1)
    means = [np.bincount(leg, table[:, j]) / count for j in range(table.shape[1])]
    return np.column_stack([m[leg] for m in means]).reshape(values.shape)

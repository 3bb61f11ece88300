"""Pieces of races whose logged set the tag audit doubts: the other name, and how likely it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import Ints
from pipeline.decisions.race_stretches import Pieces
from pipeline.sailing.times import seconds


@dataclass(frozen=True, slots=True)
class Doubt:
    """For each piece (n,): `finding`, row of the audit it falls into, or -1, and `other`, the set named there (index in
    the fit's sets; of no meaning without a finding). `chance` of the other name, for each row of the audit.
    """

    finding: Ints
    other: Ints
    chance: Floats

    def switched(self, draws: int, seed: int) -> NDArray[np.bool_]:
        """In which draws (draws, n) the other set was up: all pieces of a finding together."""
        chance = np.append(self.chance, 0.0)  # the last stands for no finding
        return (np.random.default_rng(seed).random((draws, len(chance))) < chance)[:, self.finding]


def doubt_of(pieces: Pieces, audit: pl.DataFrame | None, sets: tuple[str, ...]) -> Doubt:
    """Doubts by the table `tag_audit` with `chance`; none where it is None. A piece counts by its middle."""
    finding = np.full(len(pieces), -1, dtype=np.int64)
    other = np.zeros(len(pieces), dtype=np.int64)
    rows = None if audit is None else audit.filter(pl.col("likelier").is_in(list(sets)))
    if rows is None or rows.is_empty():
        return Doubt(finding, other, np.zeros(0))
    middle = 0.5 * (pieces.start_s + pieces.end_s)
    spans = zip(seconds(rows["start"]), seconds(rows["end"]), rows["likelier"].to_list(), strict=True)
    for k, (start_s, end_s, name) in enumerate(spans):
        here = (middle >= start_s) & (middle < end_s)
        finding[here], other[here] = k, sets.index(name)
    return Doubt(finding, other, rows["chance"].fill_null(0.0).to_numpy().astype(float))

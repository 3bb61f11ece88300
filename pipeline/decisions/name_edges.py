"""From which window to which a wrong name held, where the search in chunks has found it."""

from __future__ import annotations

import numpy as np

from pipeline.decisions.name_search import NameSearch, Piece, Unit

# No window speaks louder than this (log likelihood ratio).
LOUDEST = 3.0


def first_and_last(search: NameSearch, p: Piece, unit: Unit) -> tuple[int, int]:
    """The run of windows that speaks most for the other name, in the piece's chunks and the one on either side."""
    chunks = search.chunks
    i, j = np.searchsorted(unit.at, p.at[[0, -1]])
    at = unit.at[max(i - 1, 0) : j + 2]
    at = at[np.isin(search.labels[at], (p.logged, p.label))]
    at = at[search.chunks.reached[p.label, at]]
    off, other = (search.season.told(at, np.full(len(at), k)).surprise for k in (p.logged, p.label))
    windows = np.concatenate([np.arange(a, b + 1) for a, b in zip(chunks.first[at], chunks.last[at], strict=True)])
    chunk = np.repeat(np.arange(len(at)), chunks.last[at] - chunks.first[at] + 1)
    within = chunks.within[windows]
    square = (off[chunk] + within) ** 2 - (other[chunk] + within) ** 2
    speaks = np.clip(0.5 * square / chunks.noise_sd[windows] ** 2, -LOUDEST, LOUDEST)
    line = np.concatenate([[0.0], np.cumsum(speaks)])
    gain = np.where(np.tri(len(line), k=0, dtype=bool), -np.inf, line[None, :] - line[:, None])
    a, b = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return int(windows[a]), int(windows[b - 1])

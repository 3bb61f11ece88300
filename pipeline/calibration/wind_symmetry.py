"""Evidence from the boat's own symmetry: close-hauled and running, a crew sails the same angle on either tack.

From one board to the next of a beat or a run, the size of the apparent wind angle should be the same; half its mean
difference between starboard and port is the offset of the vane, for that day. Wind twist, waves at an angle and an
uneven trim mimic an offset for a day, so a day's figure carries a departure of its own, and only what persists counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.wind_pieces import Pieces
from pipeline.sailing.stretches import Ints

LEAST_BOARD_S = 60.0
# Angles at which a boat that tacks is on a beat, and one that gybes on a run.
MOST_BEAT_TWA_DEG, LEAST_RUN_TWA_DEG = 65.0, 125.0
# Boards of one beat differ at least by so much for no reason (helm, waves), deg.
LEAST_BOARD_SD_DEG = 0.3


@dataclass(frozen=True, slots=True)
class DaySymmetry:
    """Offset that the symmetry of a day asks for, beyond the one in use, with its standard deviation (deg)."""

    day: Ints
    offset_deg: Floats
    sd_deg: Floats
    boards: Ints


@dataclass(frozen=True, slots=True)
class _Boards:
    group: Ints
    day: Ints
    side: Floats
    size_deg: Floats
    log_tws: Floats
    run: np.ndarray
    seconds: Floats


def symmetry_by_day(pieces: Pieces, awa_deg: Floats, manoeuvres: pl.DataFrame) -> DaySymmetry:
    """Per day the offset that would make both tacks alike, from the boards of its beats and runs.

    `awa_deg`: apparent angle of the pieces with the offset in use. Boards that follow each other by tacks (or gybes)
    alone, with one sail set, are compared among themselves; the answer of the angle to wind speed is taken out, close-
    hauled and running each with its own slope. Days without such boards are left out.
    """
    boards = _boards(pieces, awa_deg, manoeuvres)
    if len(boards.day) == 0:
        none = np.zeros(0)
        return DaySymmetry(none.astype(np.int64), none, none, none.astype(np.int64))
    days, at = np.unique(boards.day, return_inverse=True)
    weight = boards.seconds / (boards.seconds + 240.0) * np.where(boards.run, 0.3, 1.0)
    side = np.zeros((len(at), len(days)))
    side[np.arange(len(at)), at] = boards.side
    wind = np.column_stack((boards.log_tws * ~boards.run, boards.log_tws * boards.run))
    x = _within(np.column_stack((side, wind)), boards.group, weight)
    y = _within(boards.size_deg[:, None], boards.group, weight)[:, 0]
    for _ in range(4):  # robust: boards far from the rest count for less
        root = np.sqrt(weight)
        normal = (x * root[:, None]).T @ (x * root[:, None])
        ridge = np.diag(np.concatenate((np.full(len(days), 1e-6), [1e-3, 1e-3])))
        b = np.linalg.solve(normal + ridge, (x * weight[:, None]).T @ y)
        rest = (y - x @ b) * root
        free = max(len(y) - len(days) - len(np.unique(boards.group)), 3)
        sd = max(float(np.sqrt(rest @ rest / free)), LEAST_BOARD_SD_DEG)
        weight = weight * np.minimum(1.0, (2.5 * sd / np.maximum(np.abs(rest), 1e-9)) ** 1.0)
    spread = np.linalg.inv(normal + ridge) * sd**2
    keep = np.diag(normal)[: len(days)] > 1e-3
    # the size is |AWA| + side x (offset lacking): an offset of +1 makes starboard angles wider
    return DaySymmetry(
        days[keep].astype(np.int64),
        -b[: len(days)][keep],
        np.sqrt(np.diag(spread)[: len(days)][keep]),
        np.bincount(at, minlength=len(days))[keep],
    )


def _boards(pieces: Pieces, awa_deg: Floats, manoeuvres: pl.DataFrame) -> _Boards:
    start_s = manoeuvres["start"].to_physical().to_numpy() / 1e6
    kind = manoeuvres["kind"].to_list()
    interval = np.searchsorted(start_s, pieces.time_s)
    rows: list[tuple[int, int, float, float, float, bool, float, int, int]] = []
    key = pieces.chunk * 1_000_000 + interval
    bounds = np.flatnonzero(np.diff(key, prepend=-1, append=-1) != 0) if len(key) else np.zeros(0, dtype=int)
    for a, b in pairwise(bounds):
        part = slice(int(a), int(b))
        sets = np.unique(pieces.sail_set[part])
        seconds = float(pieces.seconds[part].sum())
        size = np.abs(pieces.twa_deg[part]).mean()
        run = bool(size > 90.0)
        one_side = np.abs(np.sign(awa_deg[part]).mean()) > 0.99
        right_angle = size >= LEAST_RUN_TWA_DEG if run else size <= MOST_BEAT_TWA_DEG
        if len(sets) == 1 and seconds >= LEAST_BOARD_S and one_side and right_angle:
            w = pieces.seconds[part]
            rows.append(
                (
                    int(interval[a]),
                    int(pieces.day[a]),
                    float(np.sign(awa_deg[a])),
                    float(np.average(np.abs(awa_deg[part]), weights=w)),
                    float(np.average(np.log(pieces.tws_kn[part]), weights=w)),
                    run,
                    seconds,
                    int(pieces.chunk[a]),
                    int(sets[0]),
                )
            )
    return _grouped(rows, kind)


def _grouped(rows: list[tuple[int, int, float, float, float, bool, float, int, int]], kind: list[str]) -> _Boards:
    """Boards linked by one tack (or gybe) to the next share a group; lone boards are left out."""
    group = np.zeros(len(rows), dtype=np.int64)
    for i in range(1, len(rows)):
        (k0, _, side0, *_, run0, _, chunk0, set0), (k1, _, side1, *_, run1, _, chunk1, set1) = rows[i - 1], rows[i]
        wanted = "gybe" if run1 else "tack"
        linked = (
            k1 == k0 + 1 and kind[k1 - 1] == wanted and side1 == -side0 and (run0, chunk0, set0) == (run1, chunk1, set1)
        )
        group[i] = group[i - 1] + (not linked)
    many = np.bincount(group, minlength=1)[group] > 1 if len(rows) else np.zeros(0, dtype=bool)
    picked = [r for r, keep in zip(rows, many, strict=True) if keep]
    column = [np.array(c) for c in zip(*picked, strict=True)] if picked else [np.zeros(0)] * 9
    return _Boards(
        group[many],
        column[1].astype(np.int64),
        column[2],
        column[3],
        column[4],
        column[5].astype(bool),
        column[6],
    )


def _within(x: Floats, group: Ints, weight: Floats) -> Floats:
    """Columns less their weighted mean within each group."""
    _, at = np.unique(group, return_inverse=True)
    total = np.bincount(at, weight)
    mean = np.column_stack([np.bincount(at, weight * x[:, j]) / total for j in range(x.shape[1])])
    return x - mean[at]

"""Evidence from the boat's symmetry: in the same wind, at the same speed, she shows the same angle on either tack.

From one board to the next of a beat or a run the size of the apparent wind angle is compared, at equal apparent wind
speed and boat speed; half its mean difference between starboard and port is the offset of the vane, for that day.
Wind twist (the wind aloft turned against the wind below), waves at an angle and an uneven trim mimic an offset. Twist
turns the true wind: by how much that moves the apparent angle differs between beats and runs, and is given for each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.calibration.wind_pieces import Pieces
from pipeline.sailing.stretches import Ints

LEAST_BOARD_S = 60.0
# Angles at which a boat that tacks is on a beat, and one that gybes on a run.
MOST_BEAT_TWA_DEG, LEAST_RUN_TWA_DEG = 56.0, 125.0
# Boards of one beat differ at least by so much for no reason (helm, waves), deg.
LEAST_BOARD_SD_DEG = 0.3
# A board is worth what its length is, up to about this: gusts and the helm's moods last as long.
BOARD_MEMORY_S = 240.0
# Prior of the answers of the angle to the logarithms of wind speed and boat speed (deg): wide, for few boards.
ANSWER_SD_DEG = 50.0
FAR_SD = 2.5
# A wind much slower than the boat turns its apparent angle not at all.
LEAST_TURN = 0.15


@dataclass(frozen=True, slots=True)
class DaySymmetry:
    """Offset that the symmetry of a day's beats, or of its runs, asks for, beyond the one in use.

    One row a day and kind: `day` (index), `run`, `offset_deg`, `sd_deg`, `boards` (number), and `turn`: by how many
    degrees the apparent angle turns with a degree of the true one.
    """

    day: Ints
    run: np.ndarray
    offset_deg: Floats
    sd_deg: Floats
    boards: Ints
    turn: Floats


@dataclass(frozen=True, slots=True)
class Boards:
    """Means of boards that are linked by tacks (or gybes) to others of their `group`; `side` +1 on starboard tack."""

    group: Ints
    day: Ints
    side: Floats
    run: np.ndarray
    seconds: Floats
    size_deg: Floats
    log_aws: Floats
    log_bsp: Floats
    turn: Floats

    def where(self, keep: np.ndarray) -> Boards:
        """The boards picked by a mask."""
        return Boards(*(getattr(self, name)[keep] for name in Boards.__dataclass_fields__))


def symmetry_by_day(pieces: Pieces, awa_deg: Floats, manoeuvres: pl.DataFrame) -> DaySymmetry:
    """Per day the offset that would make both tacks alike, from its beats and from its runs.

    `awa_deg`: apparent angle of the pieces with the offset in use. Boards that follow each other by tacks (or gybes)
    alone, with one sail set, are compared among themselves. Wind speed and boat speed are taken as measured: the
    computed true wind would itself differ between the tacks by the offset that is looked for. Days without such boards
    are left out.
    """
    boards = boards_of(pieces, awa_deg, manoeuvres)
    parts = [_of_kind(boards.where(boards.run == run), run) for run in (False, True)]
    joined = [np.concatenate([getattr(p, name) for p in parts]) for name in DaySymmetry.__dataclass_fields__]
    order = np.lexsort((joined[1], joined[0]))
    return DaySymmetry(*(column[order] for column in joined))


def _of_kind(boards: Boards, run: bool) -> DaySymmetry:
    days, at = np.unique(boards.day, return_inverse=True)
    weight = boards.seconds / (boards.seconds + BOARD_MEMORY_S)
    side = np.zeros((len(at), len(days)))
    side[np.arange(len(at)), at] = boards.side
    answers = _answers(boards)
    x = _within(np.column_stack((side, answers)), boards.group, weight)
    y = _within(boards.size_deg[:, None], boards.group, weight)[:, 0]
    free = max(len(y) - len(days) - len(np.unique(boards.group)) - answers.shape[1], 3)
    sd = LEAST_BOARD_SD_DEG
    for _ in range(4):  # robust: boards far from the rest count for less
        ridge = np.diag([1e-6] * len(days) + [(sd / ANSWER_SD_DEG) ** 2] * answers.shape[1])
        root = np.sqrt(weight)
        normal = (x * root[:, None]).T @ (x * root[:, None]) + ridge
        b = np.linalg.solve(normal, (x * weight[:, None]).T @ y)
        rest = (y - x @ b) * root
        sd = max(float(np.sqrt(rest @ rest / free)), LEAST_BOARD_SD_DEG)
        weight = weight * np.minimum(1.0, FAR_SD * sd / np.maximum(np.abs(rest), 1e-9))
    spread = np.linalg.inv(normal) * sd**2
    keep = np.diag(normal)[: len(days)] > 1e-3
    count = np.bincount(at, minlength=len(days))
    # the size is |AWA| + side x (offset lacking): an offset of +1 makes starboard angles wider
    return DaySymmetry(
        days[keep].astype(np.int64),
        np.full(int(keep.sum()), run),
        -b[: len(days)][keep],
        np.sqrt(np.diag(spread)[: len(days)][keep]),
        count[keep],
        (np.bincount(at, boards.turn, minlength=len(days)) / np.maximum(count, 1))[keep],
    )


def _answers(boards: Boards) -> Floats:
    """Columns by which the angle may answer to wind speed and boat speed: to second order, about their means."""
    if len(boards.day) == 0:
        return np.zeros((0, 5))
    wind, boat = boards.log_aws - boards.log_aws.mean(), boards.log_bsp - boards.log_bsp.mean()
    return np.column_stack((wind, boat, wind**2, boat**2, wind * boat))


def boards_of(pieces: Pieces, awa_deg: Floats, manoeuvres: pl.DataFrame) -> Boards:
    """Boards of beats and runs that have another on the other side next to them, set by set in order of time.

    A board is what was sailed with one set between two manoeuvres. Two sets tried one after the other on both tacks are
    compared set by set, though the set was changed in mid-board.
    """
    start_s = manoeuvres["start"].to_physical().to_numpy() / 1e6
    kind = manoeuvres["kind"].to_list()
    interval = np.searchsorted(start_s, pieces.time_s)
    # by the triangle of boat and wind: d TWA / d AWA = 1 + BSP / TWS x cos(TWA)
    turned = 1.0 + pieces.bsp_kn / pieces.tws_kn * np.cos(np.radians(pieces.twa_deg))
    turn = 1.0 / np.maximum(turned, LEAST_TURN)
    columns = np.column_stack((np.abs(awa_deg), np.log(pieces.aws_kn), np.log(pieces.bsp_kn), turn))
    links: list[tuple[int, int, bool, int, int]] = []
    means: list[Floats] = []
    for part in _parts(pieces.chunk, pieces.sail_set, interval):
        seconds = float(pieces.seconds[part].sum())
        size = np.abs(pieces.twa_deg[part]).mean()
        run = bool(size > 90.0)
        one_side = np.abs(np.sign(awa_deg[part]).mean()) > 0.99
        right_angle = size >= LEAST_RUN_TWA_DEG if run else size <= MOST_BEAT_TWA_DEG
        a = int(part[0])
        if pieces.sail_set[a] >= 0 and seconds >= LEAST_BOARD_S and one_side and right_angle:
            mean = np.average(columns[part], axis=0, weights=pieces.seconds[part])
            links.append(
                (int(interval[a]), int(np.sign(awa_deg[a])), run, int(pieces.chunk[a]), int(pieces.sail_set[a]))
            )
            means.append(np.concatenate(([pieces.day[a], seconds], mean)))
    group = _grouped(links, kind)
    many = np.bincount(group, minlength=1)[group] > 1 if len(links) else np.zeros(0, dtype=bool)
    table = np.array(means).reshape(len(links), 6)[many]
    link = np.array(links, dtype=np.int64).reshape(len(links), 5)[many]
    return Boards(
        group[many],
        table[:, 0].astype(np.int64),
        link[:, 1].astype(float),
        link[:, 2].astype(bool),
        *table[:, 1:].T,
    )


def _parts(chunk: Ints, sail_set: Ints, interval: Ints) -> list[Ints]:
    """Indices of the pieces of each chunk, set and interval between manoeuvres, in this order."""
    order = np.lexsort((interval, sail_set, chunk))
    keys = np.column_stack((chunk, sail_set, interval))[order]
    cuts = np.flatnonzero(np.any(np.diff(keys, axis=0) != 0, axis=1)) + 1
    return [part for part in np.split(order, cuts) if part.size]


def _grouped(links: list[tuple[int, int, bool, int, int]], kind: list[str]) -> Ints:
    """Boards linked by one tack (or gybe) to the next share a group."""
    group = np.zeros(len(links), dtype=np.int64)
    for i in range(1, len(links)):
        (k0, side0, *same0), (k1, side1, *same1) = links[i - 1], links[i]
        wanted = "gybe" if same1[0] else "tack"
        linked = k1 == k0 + 1 and kind[k1 - 1] == wanted and side1 == -side0 and same0 == same1
        group[i] = group[i - 1] + (not linked)
    return group


def _within(x: Floats, group: Ints, weight: Floats) -> Floats:
    """Columns less their weighted mean within each group."""
    _, at = np.unique(group, return_inverse=True)
    total = np.bincount(at, weight)
    mean = np.column_stack([np.bincount(at, weight * x[:, j]) / total for j in range(x.shape[1])])
    return x - mean[at]

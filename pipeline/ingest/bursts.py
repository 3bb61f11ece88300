"""Logs written in bursts: each tick all sentences at once, one of each kind, the time in one of them.

Between two times a sentence's own time can only be guessed. Where some kind of sentence comes several times between
two times, the sentences were written down as they came, and lie evenly between (see `clock`). Where every kind comes
once, the logger wrote a picture of one moment, and its sentences share that moment's time; spread out, the late ones
of them would move by up to a tick. Where one burst ends and the next begins is told by the beginning and the end of
the file: a logger starts with the first sentence of a burst, and ends with the last.

Evidence: in the recorded logs of instruments' own buses some kind always recurs between two times (heading ten times
in one, twice in another), so that they are left as they are; a logger's picture never repeats a kind.
"""

from __future__ import annotations

import numpy as np

from pipeline.ingest.clock import Ints

# So many labelled sentences from the beginning of a file decide what kind of log it is.
LOOKED_AT = 20_000
LEAST_BURSTS = 8
AMONG_FIRST = 8
LAST_BURSTS = 20
# Bursts may now and then repeat a kind (a sentence written twice), and their first sentence may be damaged.
MOST_REPEATING, LEAST_LED = 0.1, 0.8
# No bus is so slow: with a longer step between times and no kind repeated, the sentences are pictures in any case.
SLOW_STEP_US = 2_000_000


def first_of_bursts(
    place: Ints, kind: Ints, anchor_place: Ints, *, tail: Ints, tail_is_read: bool, usual_step_us: float
) -> tuple[int, int] | None:
    """Kinds of the first and second sentence of a burst; None where the log is not written in bursts.

    `place` (ascending) and `kind` are the sentences that were read from the beginning of the file on, `tail` the kinds
    of those up to its end, whose very last sentence was read or not (`tail_is_read`); `anchor_place` the sentences that
    carry a time.
    """
    place, kind = place[:LOOKED_AT], kind[:LOOKED_AT]
    if not len(place):
        return None
    timed = anchor_place[anchor_place <= place[-1]]
    if len(timed) < LEAST_BURSTS or len(timed) > len(place) / 2:
        return None
    for lead in _first_regular(kind, len(timed)):
        if _are_bursts(kind, lead, len(timed)) and _ends_whole(tail, lead, tail_is_read):
            return lead, _follower(kind, lead)
    if usual_step_us >= SLOW_STEP_US:
        at = np.minimum(np.searchsorted(place, timed), len(place) - 1)
        lead = int(np.bincount(kind[at]).argmax())
        if _are_bursts(kind, lead, len(timed)):
            return lead, _follower(kind, lead)
    return None


def _first_regular(kind: Ints, times: int) -> list[int]:
    """The first kind in the file that comes about once a time; a date sent once at the beginning does not.

    Behind it the kind that usually comes ahead of it, if that was silent at first: the time, before there was a fix.
    """
    counts = np.bincount(kind)
    regular = [int(k) for k in kind[:AMONG_FIRST] if LEAST_LED * times <= counts[k] <= times / LEAST_LED]
    if not regular:
        return []
    first = regular[0]
    at = np.flatnonzero(kind == first)
    ahead = int(np.bincount(kind[at[at > 0] - 1]).argmax()) if (at > 0).any() else first
    was_silent = len(at) > 1 and not (kind[: at[1]] == ahead).any()
    return [first, ahead] if was_silent else [first]


def _are_bursts(kind: Ints, lead: int, times: int) -> bool:
    """Whether the sentences from one `lead` to the next are one of each kind, one burst to a time."""
    start = np.flatnonzero(kind == lead)
    if not LEAST_LED * times <= len(start) <= times / LEAST_LED:
        return False
    burst = np.searchsorted(start, np.arange(len(kind)), side="right")
    kinds = int(kind.max()) + 1
    pair, seen = np.unique(burst * kinds + kind, return_counts=True)
    repeating = np.unique(pair[seen > 1] // kinds)
    return len(repeating) <= MOST_REPEATING * len(start)


def _ends_whole(tail: Ints, lead: int, is_read: bool) -> bool:
    """Whether the last burst is as long as the others; one less where the file's last sentence could not be read."""
    start = np.flatnonzero(tail == lead)
    return len(start) > 1 and len(tail) - start[-1] >= float(np.median(np.diff(start)[-LAST_BURSTS:])) - (not is_read)


def _follower(kind: Ints, lead: int) -> int:
    after = kind[np.flatnonzero(kind[:-1] == lead) + 1]
    return int(np.bincount(after).argmax()) if len(after) else lead


def starts_of_bursts(lead: Ints, follower: Ints) -> Ints:
    """Places at which bursts start: every `lead`, and a `follower` where the lead ahead of it is missing."""
    if not len(follower):
        return lead
    led = np.diff(np.searchsorted(lead, follower), prepend=0) > 0
    return np.sort(np.concatenate([lead, follower[~led]]))

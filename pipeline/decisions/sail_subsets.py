"""Every list of sails at once: what each of the 2^n subsets of n sails loses, and the best of them. Exact.

A subset is a number whose bit k says that sail k is aboard; arrays over subsets are indexed by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.decisions.judged import Bools

Ints = NDArray[np.int64]

# 2^20 subsets of a few floats each are some tens of megabytes; a boat has fewer sails to choose from.
MOST_SAILS = 20
# Hours and losses that differ by less are the same.
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class SubsetValues:
    """For each subset: `loss_s_per_nm`, the hours-weighted mean of the seconds that a mile takes longer than with all
    sails, over the conditions in which a set of the list is known (NaN where there are none); `uncovered_hours`, the
    rest; `seconds_per_nm`, the mean seconds for a mile there; `unsure_hours`, in which the set flown is an unsure one.
    """

    loss_s_per_nm: Floats
    uncovered_hours: Floats
    seconds_per_nm: Floats
    unsure_hours: Floats


def subset_values(needs: Ints, seconds: Floats, sure: Bools, hours: Floats, sails: int) -> SubsetValues:
    """Value of every subset of `sails` sails.

    `needs` (sets): the subset of sails that a set needs; `seconds` (sets, conditions): for a nautical mile, infinite
    where the set is not known; `sure` (sets, conditions): known well; `hours` (conditions), each with at least one
    known set. Raises `ValueError` beyond `MOST_SAILS`.

    In each condition only the sets that are faster than every set needing no more sails matter, and with them only
    their own sails: the loss is filled in over the subsets of these, slowest set first, so that each set overwrites
    what is slower; conditions with the same sails are added up before they are spread over all subsets.
    """
    if sails > MOST_SAILS:
        raise ValueError(f"{sails} sails to choose from are more than the {MOST_SAILS} that can be searched exactly")
    lost, unsure, missing, base = (_Spread(sails) for _ in range(4))
    families: dict[tuple[int, ...], Floats] = {}
    for at in range(len(hours)):
        ranked = _useful(needs, seconds[:, at])
        least = seconds[ranked[0], at]
        own = [int(needs[k]) for k in ranked]
        lost.fill(own, [(int(needs[k]), hours[at] * (seconds[k, at] - least)) for k in reversed(ranked)])
        if not sure[ranked, at].all():
            unsure.fill(own, [(int(needs[k]), hours[at] * (not sure[k, at])) for k in reversed(ranked)])
        weights = families.setdefault(tuple(sorted(own)), np.zeros(2))
        weights += hours[at] * np.array([1.0, least])
    for own_sorted, (time, fastest) in families.items():
        missing.fill(own_sorted, [(0, time), *((need, 0.0) for need in own_sorted)])
        base.fill(own_sorted, [(need, fastest) for need in own_sorted])
    uncovered = missing.total()
    known = float(hours.sum()) - uncovered
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = np.where(known > SAME, lost.total() / known, np.nan)
        fastest_possible = np.where(known > SAME, base.total() / known, np.nan)
    return SubsetValues(loss, uncovered, loss + fastest_possible, unsure.total())


def _useful(needs: Ints, seconds: Floats) -> list[int]:
    """Known sets, fastest first, without those that need all the sails of a faster one."""
    kept: list[int] = []
    for k in np.argsort(seconds, kind="stable"):
        if not np.isfinite(seconds[k]):
            break
        if not any(int(needs[f]) & ~int(needs[k]) == 0 for f in kept):
            kept.append(int(k))
    return kept


class _Spread:
    """Sums over subsets, kept by the sails that they depend on until `total` spreads them over all."""

    def __init__(self, sails: int) -> None:
        self.sails = sails
        self.parts: dict[int, Floats] = {}

    def fill(self, own: tuple[int, ...] | list[int], values: list[tuple[int, float]]) -> None:
        """Add to every subset the last of the `values` (subset that must be aboard, value) that holds for it, or 0.

        `own`: the subsets that matter, `values` among them.
        """
        bits = _bits(_union(own))
        cube = np.zeros((2,) * len(bits))
        for needed, value in values:
            cube[tuple(1 if needed >> bit & 1 else slice(None) for bit in bits)] = value
        union = _union(own)
        self.parts[union] = self.parts[union] + cube if union in self.parts else cube

    def total(self) -> Floats:
        """Summed over all parts, an entry a subset of all sails."""
        out = np.zeros((2,) * self.sails)
        for union, part in self._merged():
            out += part.reshape([2 if union >> bit & 1 else 1 for bit in reversed(range(self.sails))])
        return out.ravel()

    def _merged(self) -> list[tuple[int, Floats]]:
        """Parts added into others that depend on all their sails, so that few are left to spread."""
        left: dict[int, Floats] = {}
        for union in sorted(self.parts, key=lambda u: (-u.bit_count(), u)):
            wider = next((u for u in reversed(left) if union & ~u == 0), None)
            if wider is None:
                left[union] = self.parts[union].copy()
            else:
                left[wider] += self.parts[union].reshape([2 if union >> bit & 1 else 1 for bit in _bits(wider)])
        return list(left.items())


def _union(needs: tuple[int, ...] | list[int]) -> int:
    union = 0
    for need in needs:
        union |= need
    return union


def _bits(union: int) -> list[int]:
    """Sails in a subset, the highest first."""
    return [bit for bit in reversed(range(union.bit_length())) if union >> bit & 1]


def sums(each: Floats) -> Floats:
    """Sum of the sails' figures (sails) in every subset: weight, number, change of rating."""
    out = np.zeros(1)
    for value in each:
        out = np.concatenate([out, out + value])
    return out


def best(allowed: Bools, *merits: Floats) -> int | None:
    """The allowed subset with the least first merit, among equals the least second, and so on; None without any.

    What differs by less than `SAME` counts as equal; the last resort is the lower number.
    """
    left = np.flatnonzero(allowed)
    if left.size == 0:
        return None
    for merit in merits:
        values = merit[left]
        left = left[values <= values.min() + SAME]
    return int(left[0])


def trade_off(allowed: Bools, load: Floats, loss: Floats) -> list[int]:
    """Allowed subsets that no other beats in `load` (weight or number) and `loss` at once, the lightest first."""
    order = np.flatnonzero(allowed)
    order = order[np.lexsort((order, loss[order], load[order]))]
    front, least = [], np.inf
    for k in order[_drops(loss[order])]:
        if loss[k] < least - SAME:
            front.append(int(k))
            least = loss[k]
    return front


def _drops(values: Floats) -> Ints:
    """Positions where a value lies below all before it."""
    if values.size == 0:
        return np.zeros(0, dtype=np.int64)
    before = np.concatenate([[np.inf], np.minimum.accumulate(values)[:-1]])
    return np.flatnonzero(values < before)

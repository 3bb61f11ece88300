"""What a sail is worth: the seconds that a nautical mile takes longer without it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.decisions.judged import SECONDS_PER_HOUR, Bools, Judged, fastest

LOW, HIGH = 0.05, 0.95
# How far sets that are not supported in a condition, and are perhaps not flown there for a reason, may be from what is
# expected of them. At the dear end of an interval a set within reach is taken so much slower than expected; at the
# cheap end a set out of reach is taken to lose no more than so much to the fastest. Found on known boats, seeds
# 201-204: intervals hold 89 % of the true costs with all sets flown and 82 % of those with the supported sets only;
# without the second 85 % and 81 %, with a first of 5 % as well 85 % and 75 %.
SLOWER_UNSUPPORTED = 0.15
LOSES_OUT_OF_REACH = 0.05


@dataclass(frozen=True, slots=True)
class Worth:
    """Worth of one sail. Costs in seconds per nautical mile, NaN where the data cannot say; `covered_by` set names."""

    share_fastest: float
    cost_s_per_nm: float
    cost_low: float
    cost_high: float
    hours_judged: float
    hours_uncovered: float
    seconds_without: float
    covered_by: tuple[str, ...]


class Fleet:
    """Sets in conditions, prepared for leaving one list of sails after the other ashore.

    `seconds` (sets, n): for a nautical mile, see `Judged.seconds`.
    """

    def __init__(self, judged: Judged) -> None:
        """`judged`: conditions, each with a supported set."""
        self.judged = judged
        self.seconds = judged.seconds()
        # Sets first, so that the fastest of some of them is found without copies.
        draws = SECONDS_PER_HOUR * np.exp(-np.moveaxis(judged.log_draws, 1, 0))
        self._drawn = np.where(judged.reached[:, None], draws, np.inf)
        slower = np.maximum(judged.doubt, np.log1p(SLOWER_UNSUPPORTED))
        self._slow = self._drawn * np.where(judged.supported, 1.0, np.exp(slower))[:, None]
        self._fast = self._drawn * np.exp(-judged.doubt)[:, None]

    def loss(self, left_out: Bools, at: Bools) -> float:
        """Mean seconds a nautical mile, over the time in the conditions `at` (n), lost without the sets `left_out`."""
        seconds = self.seconds[:, at]
        return float(self._weight(at) @ (seconds[~left_out].min(axis=0) - seconds.min(axis=0)))

    def interval(self, left_out: Bools, at: Bools) -> tuple[float, float]:
        """90 % interval of that loss from the joint draws, at least 0.

        Two doubts are spanned. Which set is the fastest: the fastest set of each draw never finds a sail useless, draws
        of the sets with the highest expected speed may; the low end takes the lower of the two. Whether the sets not
        supported there can stand in: the low end takes those within reach at the fast end of their intervals and those
        out of reach as losing little, the high end takes the former slower than expected and the latter not at all.
        """
        if not left_out.any():
            return 0.0, 0.0
        weight, places = self._weight(at), np.flatnonzero(at)
        log_speed, reached = self.judged.log_speed[:, at], self.judged.reached[:, at]
        own = _least(self._drawn, left_out)[:, at]
        dear = np.maximum(_least(self._slow, ~left_out)[:, at] - own, 0.0)
        cheap = np.maximum(_least(self._fast, ~left_out)[:, at] - own, 0.0)
        beyond = ~reached[~left_out].all(axis=0)
        cheap[:, beyond] = np.minimum(cheap, LOSES_OUT_OF_REACH * own)[:, beyond]
        with_all, without = fastest(log_speed, reached), fastest(log_speed, reached & ~left_out[:, None])
        expected = weight @ (self._drawn[without, :, places] - self._drawn[with_all, :, places])
        low = min(float(np.quantile(x, LOW)) for x in (expected, cheap @ weight))
        return max(low, 0.0), float(np.quantile(dear @ weight, HIGH))

    def _weight(self, at: Bools) -> Floats:
        hours = self.judged.hours[at]
        return hours / hours.sum()


def _least(seconds: Floats, kept: Bools) -> Floats:
    """Least (draws, n) over the sets kept of (sets, draws, n), infinite where none is."""
    out = np.full(seconds.shape[1:], np.inf)
    for k in np.flatnonzero(kept):
        np.minimum(out, seconds[k], out=out)
    return out


def worth(fleet: Fleet, with_sail: Bools) -> Worth:
    """What leaving the sail of the sets `with_sail` (sets) ashore costs, over conditions where a supported set remains.

    Cost: seconds for a nautical mile through the water at the same wind speed and angle with the fastest of the sets
    that remain, less those with the fastest of all, averaged over the time in the conditions. A set that was not sailed
    often enough in a condition to be supported there may stand in all the same, with the speed that can be relied on
    (the low end of its interval); sets out of reach may not, so that costs are rather too high than too low. Interval:
    see `Fleet.interval`. Without a supported set with the sail, or one that remains, the cost is NaN.
    """
    j = fleet.judged
    stays = (j.supported & ~with_sail[:, None]).any(axis=0)
    total, hours_judged = float(j.hours.sum()), float(j.hours[stays].sum())
    leads = with_sail[fastest(j.log_speed, j.supported)] if len(with_sail) else stays
    share = float(j.hours[leads].sum()) / total if total > 0 else 0.0
    uncovered = float(j.hours[~stays].sum())
    if hours_judged <= 0 or not j.supported[with_sail].any():
        return Worth(share, np.nan, np.nan, np.nan, hours_judged, uncovered, np.nan, ())
    cost = fleet.loss(with_sail, stays)
    low, high = fleet.interval(with_sail, stays)
    return Worth(
        share_fastest=share,
        cost_s_per_nm=cost,
        cost_low=min(low, cost),
        cost_high=max(high, cost),
        hours_judged=hours_judged,
        hours_uncovered=uncovered,
        seconds_without=float(fleet.seconds[~with_sail][:, stays].min(axis=0) @ j.hours[stays]) / hours_judged,
        covered_by=_covers(fleet, with_sail, stays),
    )


def _covers(fleet: Fleet, with_sail: Bools, stays: Bools) -> tuple[str, ...]:
    """Sets that take over where the sail's sets lead, by hours."""
    j = fleet.judged
    led = with_sail[fleet.seconds.argmin(axis=0)] & stays
    takes = np.where(with_sail[:, None], np.inf, fleet.seconds)[:, led].argmin(axis=0)
    hours = np.bincount(takes, weights=j.hours[led], minlength=len(j.sets))
    order = np.argsort(-hours, kind="stable")
    return tuple(j.sets[k] for k in order if hours[k] > 0)

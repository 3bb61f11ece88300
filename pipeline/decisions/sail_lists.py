"""Which sails to take: the trade-off of loss against weight, and the best list within each limit: `sail_lists`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.decisions.judged import Bools, Judged, needs
from pipeline.decisions.rating import Rating
from pipeline.decisions.sail_subsets import MOST_SAILS, SAME, Ints, SubsetValues, best, subset_values, sums, trade_off
from pipeline.decisions.worth import Fleet
from pipeline.tables import TABLES

# Losses, in seconds a mile, within which the lightest list is sought: about 0.1, 0.2, 0.5 and 1 % of a boat at 8 kn.
LOSS_LIMITS_S_PER_NM = (0.5, 1.0, 2.0, 5.0)
# Conditions that the sets of one sail alone reach would force that sail aboard; below this share of the hours they are
# a fringe of its surfaces, not a reason to carry it.
FRINGE = 0.01

EXTRA = {
    "number": pl.Int64(),
    "left_ashore": pl.String(),
    "loss_low": pl.Float64(),
    "loss_high": pl.Float64(),
    "hours_uncovered": pl.Float64(),
    "hours_unsure": pl.Float64(),
    "loss_corrected_s_per_nm": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class Choice:
    """The search: `free` codes may be left ashore (bit k of a subset is free[k]), `fixed` are always aboard.

    Arrays have an entry a subset: `load_kg` (NaN where a weight is missing), `number` of sails aboard, `values`, and
    the `corrected` loss. `fleet`: the sets that can be on a list, `subset_of` (sets) the free sails that each needs.
    """

    boat: Boat
    fleet: Fleet
    subset_of: Ints
    free: tuple[str, ...]
    fixed: tuple[str, ...]
    values: SubsetValues
    load_kg: Floats
    number: Floats
    corrected: Floats

    @property
    def covers(self) -> Bools:
        """Lists that leave no condition without a known set."""
        return np.asarray(self.values.uncovered_hours <= SAME, dtype=bool)

    def interval(self, subset: int) -> tuple[float | None, float | None]:
        """90 % interval of a list's loss over the conditions that it covers."""
        left_out = (self.subset_of & ~subset) != 0
        at = self.fleet.judged.reached[~left_out].any(axis=0)
        return self.fleet.interval(left_out, at) if at.any() else (None, None)

    def codes(self, subset: int, *, aboard: bool = True) -> str:
        """Codes of the sails aboard (or left ashore), in the order of `boat.toml`."""
        chosen = {c for k, c in enumerate(self.free) if bool(subset >> k & 1) == aboard}
        if aboard:
            chosen |= set(self.fixed)
        return " ".join(c for c in self.boat.sails if c in chosen)


def always_aboard(boat: Boat) -> tuple[str, ...]:
    """The mainsail and the sails marked required."""
    return tuple(c for c, s in boat.sails.items() if s.required or c == boat.mainsail)


def sails_judged(judged: Judged, boat: Boat) -> tuple[str, ...]:
    """Sails, always aboard or not, with a set that is supported in the conditions: of others the data say nothing."""
    flown = judged.supported.any(axis=1)
    return tuple(c for c, row in zip(boat.sails, needs(judged.sets, boat), strict=True) if (row & flown).any())


def fringe(judged: Judged, boat: Boat) -> Bools:
    """Covered conditions (n) that only sets with one and the same sail reach, and few of them: see `FRINGE`."""
    covered = judged.covered
    out = np.zeros(len(covered), dtype=bool)
    fixed = always_aboard(boat)
    for code, with_sail in zip(boat.sails, needs(judged.sets, boat), strict=True):
        if code in fixed:
            continue
        alone = covered & ~judged.reached[~with_sail].any(axis=0)
        if judged.hours[alone].sum() < FRINGE * judged.hours[covered].sum():
            out |= alone
    return out


def choose(judged: Judged, boat: Boat, rating: Rating) -> Choice | None:
    """Value of every list over the covered conditions; None where there is nothing to choose from, or too much.

    A condition counts as covered by a list where one of its sets is within reach; where several are, the fastest is
    flown, by the speeds that can be relied on (`Judged.seconds`). All lists are judged by the same conditions; those of
    `fringe` are left out.
    """
    fixed = always_aboard(boat)
    known = sails_judged(judged, boat)
    free = tuple(c for c in known if c not in fixed)
    matrix = needs(judged.sets, boat)
    usable = ~matrix[[c not in known and c not in fixed for c in boat.sails]].any(axis=0)
    conditions = judged.where(judged.covered & ~fringe(judged, boat)).of_sets(usable)
    if not free or len(free) > MOST_SAILS or conditions.hours.sum() <= 0:
        return None
    place = [list(boat.sails).index(c) for c in free]
    subset_of = (matrix[place][:, usable] * (1 << np.arange(len(free)))[:, None]).sum(axis=0).astype(np.int64)
    seconds = conditions.seconds()
    values = subset_values(subset_of, seconds, conditions.supported, conditions.hours, len(free))
    sails = boat.sails
    weights = [np.nan if sails[c].weight_kg is None else float(sails[c].weight_kg or 0.0) for c in (*free, *fixed)]
    load = sums(np.array(weights[: len(free)])) + sum(weights[len(free) :])
    ashore = sums(np.array([sails[c].rating_delta for c in free]))
    return Choice(
        boat=boat,
        fleet=Fleet(conditions),
        subset_of=subset_of,
        free=free,
        fixed=fixed,
        values=values,
        load_kg=np.full(len(load), np.nan) if np.isnan(weights).any() else load,
        number=sums(np.ones(len(free))) + len(fixed),
        corrected=rating.corrected_loss(values.loss_s_per_nm, values.seconds_per_nm, ashore[-1] - ashore),
    )


def sail_lists(choice: Choice | None) -> pl.DataFrame:
    """Table `sail_lists`: rules `all sails`, `trade-off`, `within L s/nm`, `at most N sails`, `at most W kg`, both, and
    the same by corrected time where a sail changes the rating. Weights and numbers are of all sails aboard.

    `trade-off` and `within` hold only lists that leave no condition uncovered. Of the lists within a limit those with
    the fewest hours uncovered come first, of these the fastest, of these the lightest. Without all weights the
    trade-off is by number. `number`: sails aboard; `loss_low`, `loss_high`: 90 % interval of the loss from the joint
    draws; `hours_uncovered`: without a known set on the list; `hours_unsure`: the set that would be flown is within
    reach, but not supported there; `loss_corrected_s_per_nm`: see `rating`.
    """
    rows: list[dict[str, object]] = []
    if choice is not None:
        everything = len(choice.number) - 1
        rows.append(_row(choice, "all sails", everything))
        load = choice.number if np.isnan(choice.load_kg).any() else choice.load_kg
        label = "trade-off by number" if np.isnan(choice.load_kg).any() else "trade-off"
        loss = np.nan_to_num(choice.values.loss_s_per_nm, nan=np.inf)
        rows += [_row(choice, label, k) for k in trade_off(choice.covers, load, loss)]
        for limit in LOSS_LIMITS_S_PER_NM:
            found = best(choice.covers & (loss <= limit + SAME), load, loss, choice.number)
            rows += [] if found is None else [_row(choice, f"within {limit:g} s/nm", found)]
        rows += _within_limits(choice, loss, load)
    return TABLES["sail_lists"].conform(
        pl.DataFrame(rows, schema={**TABLES["sail_lists"].columns, **EXTRA}, orient="row")
    )


def limits(choice: Choice) -> dict[str, Bools]:
    """The lists allowed by each limit of `[rules]`, and by both, in words."""
    number, weight = choice.boat.rules.max_sails_aboard, choice.boat.rules.max_sail_weight_kg
    out: dict[str, Bools] = {}
    if number is not None:
        out[f"at most {number} sails"] = choice.number <= number
    if weight is not None and not np.isnan(choice.load_kg).any():
        out[f"at most {weight:g} kg"] = choice.load_kg <= weight + SAME
    if len(out) == 2:
        (first, by_number), (second, by_weight) = out.items()
        out[f"{first} and {second.removeprefix('at most ')}"] = by_number & by_weight
    return out


def _within_limits(choice: Choice, loss: Floats, load: Floats) -> list[dict[str, object]]:
    uncovered = choice.values.uncovered_hours
    corrected = np.nan_to_num(choice.corrected, nan=np.inf)
    rated = any(choice.boat.sails[c].rating_delta for c in choice.free)
    rows = []
    everything = np.ones(len(loss), dtype=bool)
    for rule, allowed in limits(choice).items():
        found = best(allowed, uncovered, loss, load, choice.number)
        rows += [] if found is None else [_row(choice, rule, found)]
    for rule, allowed in ({"": everything} | limits(choice) if rated else {}).items():
        found = best(allowed, uncovered, corrected, load, choice.number)
        rows += [] if found is None else [_row(choice, f"{rule}, corrected time".removeprefix(", "), found)]
    return rows


def _row(choice: Choice, rule: str, subset: int) -> dict[str, object]:
    def plain(value: float) -> float | None:
        return None if np.isnan(value) else float(value)

    low, high = choice.interval(subset)
    loss = plain(choice.values.loss_s_per_nm[subset])
    return {
        "rule": rule,
        "sails": choice.codes(subset),
        "weight_kg": plain(choice.load_kg[subset]),
        "loss_s_per_nm": loss,
        "number": int(choice.number[subset]),
        "left_ashore": choice.codes(subset, aboard=False),
        "loss_low": low if loss is None or low is None else min(low, loss),
        "loss_high": high if loss is None or high is None else max(high, loss),
        "hours_unsure": float(choice.values.unsure_hours[subset]),
        "hours_uncovered": float(choice.values.uncovered_hours[subset]),
        "loss_corrected_s_per_nm": plain(choice.corrected[subset]),
    }

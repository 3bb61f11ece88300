"""What each sail of a known boat is truly worth, and what a list of sails truly loses, in a season's conditions."""

from __future__ import annotations

import numpy as np

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.decisions.judged import SECONDS_PER_HOUR, Bools, Judged, needs
from tests.known_boat.boat import Floats
from tests.known_boat.truth import Truth


def true_seconds(truth: Truth, sets: tuple[str, ...], judged: Judged) -> Floats:
    """Seconds a nautical mile on an ordinary day (sets, conditions); infinite for a set that the boat does not have."""
    out = np.full((len(sets), len(judged.hours)), np.inf)
    for k, name in enumerate(sets):
        if name in truth.boat.sets:
            out[k] = SECONDS_PER_HOUR / truth.surface(name, judged.tws_kn, judged.twa_deg)
    return out


def true_costs(truth: Truth, judged: Judged, boat: Boat) -> dict[str, tuple[float, float]]:
    """Cost of leaving each sail ashore, seconds a nautical mile, over the conditions where a supported set remains.

    Twice: with the fastest of all sets that the crew flew in the season, whatever is known of them; and with the
    fastest of the supported ones only, which is all that the data can tell. Sails without a supported set, and those
    without which none remains, are left out.
    """
    flown = tuple(s for s in truth.flown if sails_of(s, boat) is not None)
    every, fitted = true_seconds(truth, flown, judged), true_seconds(truth, judged.sets, judged)
    of_flown, of_fitted = needs(flown, boat), needs(judged.sets, boat)
    out = {}
    for i, code in enumerate(boat.sails):
        remaining = judged.supported & ~of_fitted[i][:, None]
        stays = remaining.any(axis=0)
        if not stays.any() or not judged.supported[of_fitted[i]].any():
            continue
        all_sets = _cost(every, np.ones_like(every, dtype=bool), of_flown[i], judged.hours, stays)
        out[code] = (all_sets, _cost(fitted, judged.supported, of_fitted[i], judged.hours, stays))
    return out


def _cost(seconds: Floats, allowed: Bools, with_sail: Bools, hours: Floats, stays: Bools) -> float:
    with_all = np.where(allowed, seconds, np.inf)[:, stays].min(axis=0)
    without = np.where(allowed & ~with_sail[:, None], seconds, np.inf)[:, stays].min(axis=0)
    return float(hours[stays] @ (without - with_all) / hours[stays].sum())


def true_losses(truth: Truth, boat: Boat, free: tuple[str, ...], judged: Judged, subsets: list[int]) -> list[float]:
    """Seconds a nautical mile that lists lose against all sails aboard, over the conditions `judged`, with the fastest
    of all sets flown in the season; bit k of a subset says that `free[k]` is aboard, all other sails are.
    """
    flown = tuple(s for s in truth.flown if sails_of(s, boat) is not None)
    seconds = true_seconds(truth, flown, judged)
    of_sail = dict(zip(boat.sails, needs(flown, boat), strict=True))
    out = []
    for subset in subsets:
        ashore = [of_sail[c] for k, c in enumerate(free) if not subset >> k & 1]
        left_out = np.any(ashore, axis=0) if ashore else np.zeros(len(flown), dtype=bool)
        lost = np.where(left_out[:, None], np.inf, seconds).min(axis=0) - seconds.min(axis=0)
        out.append(float(judged.hours @ lost / judged.hours.sum()))
    return out

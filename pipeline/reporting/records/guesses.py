"""Close-hauled and running without a measured border: where the expected best set changes, of lesser weight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import polars as pl

from pipeline.crossovers.made_good import MODES
from pipeline.crossovers.targets import WHOLE_BOAT
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.changes import Changes
from pipeline.reporting.records.wording import named


@dataclass(frozen=True, slots=True)
class Guess:
    """The best set by expected velocity made good is `set_a` up to `from_kn` and `set_b` from `until_kn`.

    `about_kn`: where the two are expected to be equal, None where they are not both known on either side. `compared`:
    whether there is a wind in which both are known.
    """

    set_a: str
    set_b: str
    mode: str
    from_kn: float
    until_kn: float
    about_kn: float | None
    compared: bool


def guesses(tables: Mapping[str, pl.DataFrame], changes: Changes) -> tuple[Guess, ...]:
    """Changes of the boat's best set along the wind in `targets` that `crossovers` has no row for."""
    measured = {(c.mode, frozenset((c.set_a, c.set_b))) for c in (*changes.beats, *changes.runs)}
    found = [g for mode in MODES for g in _of_mode(tables["targets"].filter(pl.col("mode") == mode), mode)]
    return tuple(g for g in found if (g.mode, frozenset((g.set_a, g.set_b))) not in measured)


def _of_mode(rows: pl.DataFrame, mode: str) -> list[Guess]:
    speeds: dict[float, dict[str, float]] = {}
    for name, tws, vmg in (
        rows.filter(pl.col("sail_set") != WHOLE_BOAT).select("sail_set", "tws_kn", "vmg_kn").iter_rows()
    ):
        speeds.setdefault(tws, {})[name] = vmg
    best = [(tws, max(sorted(of), key=lambda n, of=of: of[n])) for tws, of in sorted(speeds.items())]  # type: ignore[misc]
    return [
        _guess(a, b, mode, low, high, speeds[low], speeds[high]) for (low, a), (high, b) in pairwise(best) if a != b
    ]


def _guess(
    a: str, b: str, mode: str, low: float, high: float, before: dict[str, float], after: dict[str, float]
) -> Guess:
    at_low, at_high = {a, b} <= set(before), {a, b} <= set(after)
    about = None
    if at_low and at_high:
        lead, trail = before[a] - before[b], after[b] - after[a]
        about = low + (high - low) * lead / (lead + trail) if lead + trail > 0 else 0.5 * (low + high)
    return Guess(a, b, mode, low, high, about, at_low or at_high)


def guess_words(guess: Guess, numbers: Numbers) -> str:
    """One guess in words, marked as what it is."""
    a, b = named(guess.set_a), named(guess.set_b)
    low, high = numbers.plain(guess.from_kn, 0), numbers.plain(guess.until_kn, 0)
    if not guess.compared:
        return f"the best angle of {a} is known up to {low} kn, that of {b} from {high} kn: no wind to compare them in."
    where = f"about {low} to {high} kn" if guess.about_kn is None else f"about {numbers.plain(guess.about_kn, 0)} kn"
    return f"perhaps {a} to {b} at {where}, a best guess only: the data do not narrow it on either side."

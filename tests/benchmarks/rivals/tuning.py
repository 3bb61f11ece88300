"""The choice of each rival's variant and rule: the one with the least speed lost on seasons kept for it."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from tests.benchmarks.rivals import additive, bins, gaussian_process, trees
from tests.benchmarks.rivals.common import Rule, Windows, grid_over
from tests.benchmarks.rivals.judge import Conditions, in_boat_order
from tests.benchmarks.rivals.seasons import Season

RIVALS: dict[str, ModuleType] = {m.NAME: m for m in (bins, additive, gaussian_process, trees)}


@dataclass(frozen=True, slots=True)
class Choice:
    """A variant of a method and its rule of support."""

    variant: Any
    rule: Rule


def regrets(method: ModuleType, windows: Windows, season: Season) -> dict[Choice, float]:
    """Per cent of speed lost by every variant and rule on one season; each variant is fitted once."""
    grid, conditions = grid_over(windows), Conditions(season.truth)
    out = {}
    for variant in method.VARIANTS:
        fitted = method.fit(windows, grid, variant)
        for rule in method.RULES:
            chart = method.chart(windows, grid, fitted, rule, variant)
            best = in_boat_order(chart, conditions.names)
            out[Choice(variant, rule)] = conditions.regret_pct(grid.tws_kn, grid.twa_deg, best)
    return out


def best_choice(seasons: list[dict[Choice, float]]) -> tuple[Choice, float]:
    """The choice of the least mean regret, and that mean."""
    means = {c: float(np.mean([s[c] for s in seasons])) for c in seasons[0]}
    best = min(means, key=means.__getitem__)
    return best, means[best]

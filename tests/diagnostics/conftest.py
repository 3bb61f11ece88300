"""Fits of the season of two crossing sets, each made once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pipeline.surfaces.season import SeasonFit, fit_season
from tests.diagnostics.crossing_sets import BOAT, windows


@pytest.fixture(scope="session")
def sail() -> Callable[..., SeasonFit]:
    """Sail and fit such a season; each is fitted once."""
    kept: dict[str, SeasonFit] = {}

    def fitted(seed: int, **how: object) -> SeasonFit:
        key = repr((seed, sorted(how.items())))
        if key not in kept:
            kept[key] = fit_season(windows(seed, **how), BOAT)  # type: ignore[arg-type]
        return kept[key]

    return fitted

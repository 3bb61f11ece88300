"""The fit of a season in which windows under a name that their speeds contradict have no say.

A wrong name of a quarter of an hour, where the set is otherwise unknown, makes its surface that of another set: no
robust weight sees it, for nothing else speaks there. The search for likelier names (`likeliest_names`) does, by what
the rest of the season says of both sets. Nothing is renamed: what is doubted is only not listened to.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from pipeline.campaign.settings import Boat
from pipeline.decisions.likeliest_names import MOST_WINDOWS, findings
from pipeline.decisions.name_prior import SOBER
from pipeline.surfaces.season import SeasonFit, fit_season, without_windows

# In a longer season a wrong name weighs less, for its set has more windows that speak against it, and the search
# would take longer than the fit.
LONGEST_WINDOWS = 2 * MOST_WINDOWS
# A right name left unheard costs little where its set is known from elsewhere, but not where it is not.
SURE_ENOUGH = 0.75
UNHEARD: dict[str, pl.DataType] = {"start": pl.Datetime("us"), "sail_set": pl.String()}


def fit_by_names(windows: pl.DataFrame, boat: Boat, *, progress: Callable[[str], None] | None = None) -> SeasonFit:
    """As `fit_season`, the windows of doubtful names left unheard; `as_logged` of the fit has them all."""
    fit = fit_season(windows, boat, progress=progress)
    unheard = doubted_windows(fit, boat)
    if progress and unheard.any():
        progress(f"{np.count_nonzero(unheard)} windows under doubtful names have no say in the surfaces")
    return without_windows(fit, boat, unheard)


def doubted_windows(fit: SeasonFit, boat: Boat) -> NDArray[np.bool_]:
    """Which of the fit's windows (n, in order of time) have another name that is likelier than all else together."""
    if fit.basis is None:
        return np.zeros(0, dtype=bool)
    doubted = np.zeros(fit.basis.seen.count, dtype=bool)
    if len(doubted) > LONGEST_WINDOWS:
        return doubted
    with threadpool_limits(limits=1, user_api="blas"):
        for f in findings(fit.basis, boat, SOBER):
            for k in f.piece.at if f.chance >= SURE_ENOUGH else ():
                doubted[f.begin + f.search.chunks.first[k] : f.begin + f.search.chunks.last[k] + 1] = True
    return doubted


def unheard_windows(fit: SeasonFit) -> pl.DataFrame:
    """Table `unheard_windows`: start and logged set of those that have no say in the surfaces."""
    if fit.basis is None or fit.as_logged is None:
        return pl.DataFrame(schema=UNHEARD)
    seen = fit.basis.seen
    rows = np.flatnonzero(fit.basis.weights.window != fit.as_logged.weights.window)
    return pl.DataFrame(
        {"start": [seen.starts[k] for k in rows], "sail_set": [seen.sets[seen.set_number[k]] for k in rows]},
        schema=UNHEARD,
    )

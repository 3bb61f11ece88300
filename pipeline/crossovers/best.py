"""Which set is the fastest where, how sure that is, and by how much: the table `best_set`."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

# From formats: a verdict is clear from this probability of being the fastest on.
CLEAR_PROBABILITY = 0.95


def share_fastest(log_draws: Floats, supported: NDArray[np.bool_]) -> Floats:
    """Share of draws in which each set is the fastest of the supported ones.

    `log_draws` (draws, sets, ...) log speed, `supported` (sets, ...). Returns (sets, ...), 0 where a set is not
    supported and where none is.
    """
    contest = np.where(supported, log_draws, -np.inf)
    winner = contest.argmax(axis=1)
    share = np.stack([(winner == k).mean(axis=0) for k in range(supported.shape[0])])
    return np.where(supported, share, 0.0)


def best_sets(fit: SeasonFit, log_draws: Floats) -> pl.DataFrame:
    """The table `best_set`, a row a node of the fit's grid.

    `log_draws` (draws, sets, tws, twa): joint draws of log speed, finite wherever the fit is supported. The best set is
    the one with the highest expected speed; `margin_pct` its expected lead over the runner-up, in per cent.
    """
    sets, supported = fit.sets, fit.supported
    if not sets:
        return TABLES["best_set"].empty()
    share = share_fastest(log_draws, supported)
    expected = np.where(supported, log_draws.mean(axis=0), -np.inf)
    order = np.argsort(-expected, axis=0, kind="stable")
    rivals = supported.sum(axis=0)
    best, second = order[0], order[min(1, len(sets) - 1)]
    probability = np.take_along_axis(share, best[None], axis=0)[0]
    lead = (
        np.take_along_axis(log_draws, best[None, None], 1)[:, 0]
        - np.take_along_axis(log_draws, second[None, None], 1)[:, 0]
    )
    both = rivals >= 2
    margin = np.where(both, 100.0 * np.expm1(np.where(both, lead, 0.0)).mean(axis=0), np.nan)
    verdict = np.select([rivals == 0, both & (probability >= CLEAR_PROBABILITY)], ["unsailed", "clear"], "close")
    names = np.array(sets, dtype=object)
    tws, twa = np.meshgrid(fit.tws_kn, fit.twa_deg, indexing="ij")
    frame = pl.DataFrame(
        {
            "tws_kn": tws.ravel(),
            "twa_deg": twa.ravel(),
            "best_set": [n if r else None for n, r in zip(names[best].ravel(), rivals.ravel(), strict=True)],
            "probability": np.where(both, probability, np.nan).ravel(),
            "margin_pct": margin.ravel(),
            "runner_up": [n if b else None for n, b in zip(names[second].ravel(), both.ravel(), strict=True)],
            "verdict": verdict.ravel(),
        },
        schema_overrides={"best_set": pl.String, "runner_up": pl.String},
    )
    return TABLES["best_set"].conform(frame.with_columns(pl.col("probability", "margin_pct").fill_nan(None)))

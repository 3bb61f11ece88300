"""A known boat's season through the whole chain, without its files' text: for the scores of the decisions."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.campaign.campaign import Campaign, read_campaign
from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.decisions.conditions import conditions_of
from pipeline.decisions.fit_by_names import fit_by_names
from pipeline.decisions.season import Season
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at, tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.known_boat.boats import ALL_BOATS
from tests.known_boat.logs import write_campaign
from tests.known_boat.season import VARIATION_DEG, Options, sail_season
from tests.known_boat.truth import Truth
from tests.sailing.steady_windows import steady_windows


def fitted_season(seed: int, boat: str, **options: Any) -> tuple[Truth, Season]:
    """Sailed, tagged, cut into windows, fitted and crossed, as `chain` does it; samples are taken as measured."""
    truth, logs, campaign = sailed_campaign(seed, boat, Options(**options))
    return truth, season_of(campaign, samples_of(logs))


def sailed_campaign(seed: int, boat: str, options: Options) -> tuple[Truth, list[pl.DataFrame], Campaign]:
    """The truth, what the instruments say on each day, and what people wrote; no file is kept."""
    truth, logs = sail_season(seed, boat, options)
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(Path(folder), truth, logs, options, np.random.default_rng([seed, ALL_BOATS.index(boat), 5]))
        return truth, logs, read_campaign(Path(folder))


def samples_of(logs: list[pl.DataFrame]) -> pl.DataFrame:
    """Samples of days in order of time, as ingest leaves them."""
    return pl.concat(logs, how="diagonal").sort("time").with_columns(variation=pl.lit(VARIATION_DEG))


def season_of(campaign: Campaign, samples: pl.DataFrame, more_windows: pl.DataFrame | None = None) -> Season:
    """The season of a campaign from its samples; `more_windows` are fitted with those found."""
    boat = campaign.boat
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(campaign.sail_log, boat, sessions)
    wind = add_true_wind(samples, boat, set_at(samples["time"], segments))
    windows = steady_windows(
        wind.samples, segments, sessions, boat, exclude=campaign.exclude, settings_log=campaign.settings_log
    ).windows
    if more_windows is not None:
        windows = pl.concat([windows, more_windows], how="diagonal_relaxed")
    fit = fit_by_names(windows, boat)
    log_draws = np.log(fit.draws(DRAWS, SEED))
    return Season(
        campaign=campaign,
        wind=wind.samples,
        segments=segments,
        sessions=sessions,
        windows=windows,
        fit=fit,
        log_draws=log_draws,
        tables=cross(fit, boat, log_draws, campaign.designed, campaign.designed_speeds),
        conditions=conditions_of(wind.samples, campaign.conditions),
    )

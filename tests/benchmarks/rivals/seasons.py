"""Seasons of steady windows with known answers, of both generators, behind one face."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.campaign.settings import Boat, Instruments
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at, tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.benchmarks.known_season import sailed_campaign, samples_of
from tests.known_boat import window_simulator
from tests.known_boat.season import Options
from tests.known_boat.truth import Truth
from tests.sailing.steady_windows import steady_windows

SIMULATED = tuple(window_simulator.boats())
SIMULATED_STEP_MIN = 0.75


@dataclass(frozen=True)
class Season:
    """`truth` is what tests/known_boat/score.py asks: a `Truth`, or `SimulatedTruth`."""

    name: str
    windows: pl.DataFrame
    truth: Any
    boat: Boat


def make(name: str, seed: int) -> Season:
    """A season of a known boat, or of a boat of the window simulator, by name."""
    return _simulated(name, seed) if name in SIMULATED else _sailed(name, seed)


def _sailed(name: str, seed: int) -> Season:
    """As the chain makes windows of logs, without writing the logs out."""
    truth, logs, campaign = sailed_campaign(seed, name, Options())
    samples = samples_of(logs)
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(campaign.sail_log, campaign.boat, sessions)
    wind = add_true_wind(samples, campaign.boat, set_at(samples["time"], segments))
    steady = steady_windows(
        wind.samples,
        segments,
        sessions,
        campaign.boat,
        exclude=campaign.exclude,
        settings_log=campaign.settings_log,
    )
    return Season(f"{name}-{seed}", steady.windows, truth, campaign.boat)


def _simulated(name: str, seed: int) -> Season:
    season = window_simulator.season(name, seed, window_simulator.Conditions(days=12 + seed % 9))
    boat = Boat(name="known", loa_m=12.0, instruments=Instruments(wind_sensor_height_m=10.0))
    return Season(f"{name}-{seed}", season.windows, SimulatedTruth(season), boat)


class SimulatedTruth:
    """The window simulator's truth with the face of `Truth`; its conditions are those of the windows."""

    lines, borders, crossings = Truth.lines, Truth.borders, Truth.crossings

    def __init__(self, season: window_simulator.Season) -> None:
        self._season = season
        self.set_names = season.truth.sets
        self.boat = self.designer = self

    @property
    def flown(self) -> tuple[str, ...]:
        """Sets with windows."""
        return tuple(s for s in self.set_names if s in set(self._season.windows["sail_set"]))

    def surface(self, sail_set: str, tws_kn: Any, twa_deg: Any) -> np.ndarray:
        """True speed, kn."""
        tws, twa = np.broadcast_arrays(np.asarray(tws_kn, float), np.asarray(twa_deg, float))
        return self._season.truth.speed(sail_set, tws, twa)

    def surfaces(self, sets: Any, tws_kn: Any, twa_deg: Any) -> np.ndarray:
        """True speeds, sets first."""
        return np.stack([self.surface(s, tws_kn, twa_deg) for s in sets])

    vmg = Truth.vmg

    def speeds_at(self, tws_kn: Any, twa_deg: Any) -> np.ndarray:
        """The designer's speeds, sets last."""
        points = np.column_stack([tws_kn, twa_deg])
        return np.exp(np.stack([self._season.designed[s](points) for s in self.set_names], axis=-1))

    def conditions(self) -> pl.DataFrame:
        """Minutes by 1 kn x 5 deg and set."""
        return (
            self._season.states.select(
                pl.col("tws_kn").round(),
                (pl.col("twa_deg").abs() / 5.0).round() * 5.0,
                self._season.windows["sail_set"],
            )
            .group_by("tws_kn", "twa_deg", "sail_set")
            .agg((pl.len() * SIMULATED_STEP_MIN).alias("minutes"))
            .sort("tws_kn", "twa_deg", "sail_set")
        )

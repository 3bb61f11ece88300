"""How long a window is and how still it must be, from the boat's own season within physical bounds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.sailing.speed_lag import SpeedLag
from pipeline.sailing.steadiness import Steadiness
from pipeline.sailing.stretches import Flags

# Longer windows are no more exact once wind is paired through the lag (a simulated boat: rmse equal from 20 to 60 s),
# but average a curved surface over more gusts: bias grows with length.
SHORTEST_S, LONGEST_S = 30.0, 60.0
LENGTH_LAGS = 1.25
SLOW_LOG_SAMPLES = 6
# Windows try their luck at starts this far apart.
START_EVERY_S = 5.0
# Share of the known samples that a window needs.
LEAST_KNOWN_SHARE = 0.8
LEAST_SAMPLES = 4

# The steadiest share of the boat's own possible windows sets each limit, between bounds that are argued physically.
OWN_QUANTILE = 0.85
# Limits go by rungs of this ratio, so that one more day rarely moves one, and with it every window of the season.
RUNG = 1.1


@dataclass(frozen=True, slots=True)
class Limit:
    """Bounds of a limit: never below `low` (sensor noise and steering), never above `high` (no longer one point)."""

    name: str
    unit: str
    low: float
    high: float
    reason: str
    why: str

    def rungs(self) -> Floats:
        """The values that the limit may take, ascending."""
        steps = int(np.floor(np.log(self.high / self.low) / np.log(RUNG)))
        return np.unique(np.append(self.low * RUNG ** np.arange(steps + 1), self.high))


LIMITS: tuple[Limit, ...] = (
    Limit("tws_sd_share", "of TWS", 0.06, 0.18, "wind unsteady", "gusts over the sea are 5 to 15 per cent of the wind"),
    Limit("twa_sd_deg", "deg", 3.0, 10.0, "wind angle unsteady", "steering, gusts and masthead motion together"),
    Limit("hdg_sd_deg", "deg", 1.5, 6.0, "heading unsteady", "steering in waves, not a change of course"),
    Limit("rudder_sd_deg", "deg", 1.5, 8.0, "rudder busy", "more brakes the boat and tells of a wild moment"),
)
# In light air a share of the wind is less than what the sensor can tell.
TWS_SD_FLOOR_KN = 0.5


@dataclass(frozen=True, slots=True)
class WindowRules:
    """Length and limits in force for one boat; a limit is NaN where its channel is not logged."""

    length_s: float
    lag: SpeedLag
    limits: dict[str, float]

    def failures(self, s: Steadiness) -> list[tuple[str, np.ndarray]]:
        """For each limit its reason and the windows that break it; an unlogged channel breaks none."""
        return [(limit.reason, _ratio(s, limit.name) > self.limits[limit.name]) for limit in LIMITS]

    def table(self) -> pl.DataFrame:
        """The rules in force: name, value, unit, why."""
        rows = [
            ("window_s", self.length_s, "s", f"{LENGTH_LAGS} times the lag of the boat's speed, within 30 to 60 s"),
            ("speed_lag_s", self.lag.lag_s, "s", f"speed is paired with the wind before it; {self.lag.why}"),
            ("least_known_share", LEAST_KNOWN_SHARE, "share", "samples of a window that must be known"),
            ("tws_sd_floor_kn", TWS_SD_FLOOR_KN, "kn", "less than this the sensor cannot tell"),
        ]
        rows += [
            (limit.name, self.limits[limit.name], limit.unit, _why(limit, self.limits[limit.name])) for limit in LIMITS
        ]
        return pl.DataFrame(rows, schema=("name", "value", "unit", "why"), orient="row").cast({"value": pl.Float64})


def window_length_s(lag_s: float, step_s: float) -> float:
    """Length of a window: 1.25 times the lag of the boat's speed, within 30 to 60 s; a slow log needs more."""
    return float(np.clip(max(LENGTH_LAGS * lag_s, SLOW_LOG_SAMPLES * step_s), SHORTEST_S, LONGEST_S))


def rung_counts(possible: Steadiness, enough: Flags) -> dict[str, list[int]]:
    """For each limit, how many possible windows with `enough` samples lie within each rung, and last how many there are
    (channel logged).
    """
    out = {}
    for limit in LIMITS:
        spread = _ratio(possible, limit.name)[enough]
        spread = np.sort(spread[np.isfinite(spread)])
        out[limit.name] = [*np.searchsorted(spread, limit.rungs(), side="right").tolist(), len(spread)]
    return out


def own_limits(counts: Iterable[Mapping[str, list[int]]]) -> dict[str, float]:
    """Limits from the counts of all pieces of the season: the rung that about `OWN_QUANTILE` of the windows keep."""
    pieces = list(counts)
    out = {}
    for limit in LIMITS:
        total = np.sum([piece[limit.name] for piece in pieces], axis=0) if pieces else np.zeros(1)
        if total[-1] == 0:
            out[limit.name] = np.nan
            continue
        out[limit.name] = float(limit.rungs()[np.argmin(np.abs(total[:-1] / total[-1] - OWN_QUANTILE))])
    return out


def _ratio(s: Steadiness, name: str) -> Floats:
    if name == "tws_sd_share":
        over = np.maximum(s.tws_sd_kn - TWS_SD_FLOOR_KN, 0.0)
        return np.where(over > 0, s.tws_sd_kn, 0.0) / np.maximum(s.tws_mean_kn, 1.0)
    values: Floats = getattr(s, name)
    return values


def _why(limit: Limit, value: float) -> str:
    if np.isnan(value):
        return "not logged, not judged"
    at = "at its lower bound" if value <= limit.low else "at its upper bound" if value >= limit.high else "own"
    share = f"about {OWN_QUANTILE:.0%} of the boat's possible windows, within {limit.low:g} to {limit.high:g}"
    return f"{limit.why}; {at}: {share}"

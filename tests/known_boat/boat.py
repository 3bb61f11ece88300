"""What a known boat is: sails, sets, and an exact speed for every set, wind and angle. All boats are invented."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
SpeedLaw = Callable[[str, Floats, Floats], Floats]
# A number of a boat's and its spread among sisters: the number of one of these.
Vary = Callable[[float, float], float]

MAINSAIL = "MN"
# The deepest trough of any speed law: a boat without drive still drifts.
STANDSTILL_KN = 0.05


@dataclass(frozen=True)
class KnownSail:
    """One sail as boat.toml declares it. `aliases` are the crew's other words for it."""

    code: str
    kind: str
    station: str
    area_m2: float
    weight_kg: float
    aliases: tuple[str, ...] = ()
    max_aws_kn: float | None = None


@dataclass(frozen=True)
class KnownSet:
    """A sail set: forward sails in the order of boat.toml, reefs in the main, and how hard it presses the boat over."""

    name: str
    forward: tuple[str, ...]
    reefs: int = 0
    heeling: float = 1.0
    upwash_deg: float = 0.0  # beside the boat's own

    @property
    def declared(self) -> bool:
        """False for reefed sets, which boat.toml does not name."""
        return self.reefs == 0


@dataclass(frozen=True)
class KnownBoat:
    """An invented boat whose every answer is known.

    `speed_law(set, tws_kn, |twa_deg|)` is the expected steady speed on an ordinary day. `lag_s` is the time in which
    the boat closes 63 % of a gap in speed, `turn_s` what a tack takes. `climate_kn` is the range of the days' mean
    winds.
    """

    kind: str
    name: str
    loa_m: float
    lwl_m: float
    sensor_height_m: float
    sails: tuple[KnownSail, ...]
    sets: Mapping[str, KnownSet]
    speed_law: SpeedLaw
    lag_s: float
    turn_s: float
    heel_full_deg: float
    heel_aws_kn: float
    climate_kn: tuple[float, float]
    clock: str  # how its logs are stamped: "rmc", "tag", "epoch_ms", "rfc3339"
    recut: str | None = None  # the set whose sail is recut in mid-season, where a season has a recut
    parameters: Mapping[str, float] = field(default_factory=dict)

    def speed_kn(self, sail_set: str, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Steady speed on an ordinary day, any shapes that broadcast; the sign of TWA does not matter."""
        tws, twa = np.broadcast_arrays(np.asarray(tws_kn, float), np.abs(np.asarray(twa_deg, float)))
        return np.maximum(self.speed_law(sail_set, np.maximum(tws, 0.1), twa), STANDSTILL_KN)

    def speeds_kn(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Speeds of all sets, stacked along a new first axis in the order of `sets`."""
        return np.stack([self.speed_kn(s, tws_kn, twa_deg) for s in self.sets])

    @property
    def set_names(self) -> tuple[str, ...]:
        return tuple(self.sets)

    def sail(self, code: str) -> KnownSail:
        return next(s for s in self.sails if s.code == code)


def rise(x: ArrayLike) -> Floats:
    """The logistic curve, safe for any argument."""
    return 0.5 * (1.0 + np.tanh(0.5 * np.asarray(x, float)))


def softplus(x: ArrayLike) -> Floats:
    return np.logaddexp(0.0, np.asarray(x, float))

"""The designer of a known boat: right in kind, displaced and tilted in places. His speeds give his chart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from tests.known_boat.boat import Floats, KnownBoat

CHART_TWS_KN = np.arange(4.0, 30.01, 0.5)
CHART_TWA_DEG = np.arange(28.0, 180.01, 1.0)


@dataclass(frozen=True)
class Designer:
    """What he believes. Per set he misjudges the level, the wind and the angle that it suits, and their tilt."""

    boat: KnownBoat
    level: dict[str, float]
    wind_shift_kn: dict[str, float]
    angle_shift_deg: dict[str, float]
    tilt_per_kn: dict[str, float]

    def speed_kn(self, sail_set: str, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """His predicted speed, the fastest true speed there times what he thinks this set's share of it is."""
        tws, twa = np.asarray(tws_kn, float), np.asarray(twa_deg, float)
        moved_tws = np.maximum(tws - self.wind_shift_kn[sail_set] * np.tanh(tws / 6.0), 1.0)
        moved_twa = np.clip(twa - self.angle_shift_deg[sail_set], 25.0, 180.0)
        best_here = np.max(self.boat.speeds_kn(tws, twa), axis=0)
        there = np.max(self.boat.speeds_kn(moved_tws, moved_twa), axis=0)
        share = self.boat.speed_kn(sail_set, moved_tws, moved_twa) / there
        return best_here * share * (1.0 + self.level[sail_set] + self.tilt_per_kn[sail_set] * (tws - 14.0))

    @cached_property
    def speeds(self) -> Floats:
        """Shape (sets, TWS, TWA) on the chart's grid."""
        tws, twa = np.meshgrid(CHART_TWS_KN, CHART_TWA_DEG, indexing="ij")
        return np.stack([self.speed_kn(s, tws, twa) for s in self.boat.set_names])

    @cached_property
    def _interpolator(self) -> RegularGridInterpolator:
        return RegularGridInterpolator((CHART_TWS_KN, CHART_TWA_DEG), np.moveaxis(self.speeds, 0, -1))

    def speeds_at(self, tws_kn: Floats | float, twa_deg: Floats | float) -> Floats:
        """His speeds of all sets, last axis; beyond the chart its edge holds."""
        tws = np.clip(np.asarray(tws_kn, float), CHART_TWS_KN[0], CHART_TWS_KN[-1])
        twa = np.clip(np.abs(np.asarray(twa_deg, float)), CHART_TWA_DEG[0], CHART_TWA_DEG[-1])
        where = np.stack(np.broadcast_arrays(tws, twa), axis=-1)
        return np.asarray(self._interpolator(where)).reshape(*where.shape[:-1], len(self.boat.sets))

    @cached_property
    def best_angles_deg(self) -> tuple[Floats, Floats]:
        """The angles he would sail close-hauled and running, by the chart's TWS."""
        fastest = self.speeds.max(axis=0) * np.cos(np.radians(CHART_TWA_DEG))
        return CHART_TWA_DEG[fastest.argmax(axis=1)], CHART_TWA_DEG[fastest.argmin(axis=1)]


def make_designer(boat: KnownBoat, rng: np.random.Generator, *, error: float = 1.0) -> Designer:
    """`error` scales how far off he is; 0 makes his chart the true one."""
    names = boat.set_names

    def draw(sd: float) -> dict[str, float]:
        return {s: float(error * sd * np.clip(rng.standard_normal(), -2, 2)) for s in names}

    return Designer(boat, draw(0.015), draw(2.9), draw(8.0), draw(0.0018))

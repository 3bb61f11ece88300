"""The model's steady states as tables for the simulated season, and what the designer believed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from demo_maker.boat_model import Steady, solve
from demo_maker.sail_wardrobe import SAILS, SailSpec, recut_reaching_spinnaker

Floats = NDArray[np.float64]

TWS_KN = np.arange(2.0, 31.0, 1.0)
TWA_DEG = np.arange(25.0, 180.1, 2.5)
RECUT_SET = "SR+ST"


@dataclass(frozen=True)
class Table:
    """One set's steady states on `TWS_KN` x `TWA_DEG`."""

    bsp_kn: Floats
    heel_deg: Floats
    leeway_deg: Floats

    def at(self, tws_kn: float, twa_deg: float) -> tuple[float, float, float]:
        """Speed, heel and leeway at one true wind; towards head to wind the drive fades to nothing."""
        drive = 1.0
        if twa_deg < 30.0:
            drive, twa_deg = max(twa_deg - 12.0, 0.0) / 18.0, 30.0
        x = min(max(tws_kn - TWS_KN[0], 0.0), len(TWS_KN) - 1.001)
        y = min(max((twa_deg - TWA_DEG[0]) / 2.5, 0.0), len(TWA_DEG) - 1.001)
        i, j = int(x), int(y)
        u, v = x - i, y - j
        w = ((1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v)

        def look(a: Floats) -> float:
            return float(w[0] * a[i, j] + w[1] * a[i, j + 1] + w[2] * a[i + 1, j] + w[3] * a[i + 1, j + 1])

        return look(self.bsp_kn) * drive, look(self.heel_deg) * (0.3 + 0.7 * drive), look(self.leeway_deg) * drive


def _sails(recut: bool) -> Mapping[str, SailSpec]:
    return {**SAILS, "SR": recut_reaching_spinnaker()} if recut else SAILS


@lru_cache(maxsize=64)
def table_of(name: str, recut: bool = False) -> Table:
    """The set's table, with the reaching spinnaker as first made or as recut."""
    steady = solve(name, TWS_KN, TWA_DEG, dict(_sails(recut and name == RECUT_SET)))
    return Table(steady.bsp_kn, steady.heel_deg, steady.leeway_deg)


def solve_on(name: str, tws_kn: Floats, twa_deg: Floats, recut: bool = True) -> Steady:
    """The model itself on any grid (for the truth tables)."""
    return solve(name, tws_kn, twa_deg, dict(_sails(recut and name == RECUT_SET)))


def _bump(x: Floats, centre: float, half_width: float) -> Floats:
    return np.exp(-0.5 * ((x - centre) / half_width) ** 2)


def belief(name: str, tws_kn: Floats, twa_deg: Floats) -> Floats:
    """What the designer multiplied the true speed by, without knowing it: three errors, else 1. (tws, twa)."""
    w, a = tws_kn[:, None], twa_deg[None, :]
    if name == "J1":  # held too high: the light jib changes down too late
        return 1.0 + 0.0055 * _bump(w, 13.0, 2.4) / (1.0 + np.exp((a - 54.0) / 3.0))
    if name == "SR+ST":  # thought slower when close: it goes up too late, the headsails are carried too broad
        return 1.0 - 0.030 * _bump(w, 13.0, 3.0) / (1.0 + np.exp((a - 98.0) / 1.5))
    if name == "S1":  # thought too fragile: the heavy runner goes up too early
        return 1.0 - 0.020 * _bump(w, 13.0, 2.6) / (1.0 + np.exp(-(a - 138.0) / 3.0))
    return np.ones((tws_kn.size, twa_deg.size))


@lru_cache(maxsize=64)
def best_angles(name: str, recut: bool = False) -> tuple[Floats, Floats, Floats, Floats]:
    """For `TWS_KN`: close-hauled angle and speed made good, running angle and speed made good."""
    vmg = table_of(name, recut).bsp_kn * np.cos(np.radians(TWA_DEG))[None, :]
    up, up_vmg = peak(vmg[:, TWA_DEG < 80.0], TWA_DEG[TWA_DEG < 80.0])
    down, down_vmg = peak(-vmg[:, TWA_DEG > 100.0], TWA_DEG[TWA_DEG > 100.0])
    return up, up_vmg, down, down_vmg


def peak(values: Floats, angles_deg: Floats) -> tuple[Floats, Floats]:
    """Highest value a row and its angle, by a parabola through three points."""
    k = np.clip(values.argmax(axis=1), 1, angles_deg.size - 2)
    row = np.arange(values.shape[0])
    a, b, c = values[row, k - 1], values[row, k], values[row, k + 1]
    shift = np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9), -1.0, 1.0)
    return angles_deg[k] + shift * (angles_deg[1] - angles_deg[0]), b - 0.25 * (a - c) * shift

"""Best angles and speeds up and down wind, for each set and for the boat: the table `targets`."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from pipeline.angles import Floats
from pipeline.crossovers.best_tenth import BestTenth, best_tenth
from pipeline.crossovers.crossing import runs
from pipeline.crossovers.made_good import BEAM_DEG, CLOSE_HAULED, MODES, best_made_good
from pipeline.surfaces.coordinates import angle_coordinate
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

WHOLE_BOAT = "boat"
# Beyond the columns of the format: between which angles hardly anything is lost.
SCHEMA: dict[str, Any] = {**TABLES["targets"].columns, "twa_from_deg": pl.Float64(), "twa_to_deg": pl.Float64()}
# Share of the velocity made good that counts as hardly anything. The optimum is flat and its angle is known less well
# than its speed: joint draws held the true best angle of known boats in 43 (close-hauled) and 71 % (running) of 90 %
# intervals, the angles within this loss in 91 and 95 %.
GOOD_LOSS = 0.005
FINE_DEG, NEAR_DEG = 0.1, 2.5


def targets(fit: SeasonFit) -> pl.DataFrame:
    """Table `targets`: for each set and whole knot where its optimum lies inside the supported angles, and for `boat`
    the best set's. `vmg_kn` is positive both ways; `bsp_best_tenth_kn` is at the same angle.

    `twa_from_deg`, `twa_to_deg`: between them at most half a per cent of it is lost, blank where support ends first.
    """
    if not fit.log_speed.size:
        return pl.DataFrame(schema=SCHEMA)
    best = best_tenth(fit)
    rows: list[dict[str, object]] = []
    for mode in MODES:
        velocity, angle, exists = best_made_good(np.exp(fit.log_speed)[None], fit.twa_deg, fit.supported, mode)
        exists &= ~_beaten_elsewhere(fit, mode, velocity[0])
        rows += _rows(fit, mode, velocity[0], angle, exists, best)
    return pl.DataFrame(rows, schema=SCHEMA).sort("mode", "sail_set", "tws_kn")


def _towards(fit: SeasonFit, mode: str) -> Floats:
    """What share of the speed at each angle (twa) is made good; NaN on the other side of the beam."""
    side = fit.twa_deg < BEAM_DEG if mode == CLOSE_HAULED else fit.twa_deg > BEAM_DEG
    return np.where(side, np.abs(np.cos(np.radians(fit.twa_deg))), np.nan)


def _beaten_elsewhere(fit: SeasonFit, mode: str, velocity: Floats) -> NDArray[np.bool_]:
    """Where (sets, tws) more is made good at another supported angle, at the edge of what is known: no optimum."""
    made_good = np.where(fit.supported, np.exp(fit.log_speed) * _towards(fit, mode), -np.inf)
    return np.asarray(np.where(np.isfinite(made_good), made_good, -np.inf).max(axis=-1) > velocity * (1.0 + 1e-9))


def _rows(
    fit: SeasonFit,
    mode: str,
    velocity: Floats,
    angle: Floats,
    exists: NDArray[np.bool_],
    best: BestTenth,
) -> list[dict[str, object]]:
    towards = _towards(fit, mode)

    def row(k: int, t: int) -> dict[str, object]:
        made_good, twa = float(velocity[k, t]), float(angle[k, t])
        speed = made_good / abs(float(np.cos(np.radians(twa))))
        run = next(r for r in runs(fit.supported[k, t] & np.isfinite(towards)) if _holds(fit.twa_deg[r], twa))
        low, high = good_angles(fit.log_speed[k, t, run], fit.twa_deg[run], twa)
        values = (fit.sets[k], float(fit.tws_kn[t]), mode, twa, speed, made_good)
        gain = float(best.at(np.array([twa]))[0][0])
        return dict(zip(SCHEMA, (*values, speed * float(np.exp(gain)), low, high), strict=True))

    out = [row(k, t) for k, t in np.argwhere(exists).tolist()]
    for t in np.flatnonzero(exists.any(axis=0)).tolist():
        k = int(np.where(exists[:, t], velocity[:, t], -np.inf).argmax())
        out.append(row(k, t) | {"sail_set": WHOLE_BOAT})
    return out


def _holds(twa_deg: Floats, angle: float) -> bool:
    return bool(twa_deg[0] <= angle <= twa_deg[-1])


def good_angles(log_speed: Floats, twa_deg: Floats, best_deg: float) -> tuple[float | None, float | None]:
    """From which to which angle no more than `GOOD_LOSS` of the velocity made good is lost, about the best angle.

    `log_speed` (n) at n supported angles on one side of the beam. An end is None where the loss is still smaller at the
    last of them; dead downwind is no edge.
    """
    fine = np.arange(twa_deg[0], twa_deg[-1] + 0.5 * FINE_DEG, FINE_DEG)
    speed = CubicSpline(angle_coordinate(twa_deg), log_speed)(angle_coordinate(fine))
    made_good = speed + np.log(np.abs(np.cos(np.radians(fine))))
    poor = np.flatnonzero(made_good < made_good[np.abs(fine - best_deg) <= NEAR_DEG].max() - GOOD_LOSS)
    below, above = poor[fine[poor] < best_deg], poor[fine[poor] > best_deg]
    low = float(fine[below[-1] + 1]) if below.size else None
    if above.size:
        return low, float(fine[above[0] - 1])
    return low, 180.0 if twa_deg[-1] >= 180.0 else None

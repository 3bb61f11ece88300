"""What to aim at on beats and runs: best angle, expected speed, and the speed of the crew's best tenth: `targets`."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.made_good import MODES, best_made_good
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

WHOLE_BOAT = "boat"
TENTH = 1.2815515655446004  # standard normal quantile of 0.9
# What makes the same boat faster at one time than at another. Left out, as measurement: the noise of single windows and
# what neighbouring windows share for minutes, most of it doubt in their wind.
REAL_VARIATION = ("day_sd", "day_mode_sd", "drift_sd", "day_set_sd", "stretch_sd")


def best_tenth_factor(parameters: dict[str, float]) -> float:
    """Speed exceeded in a tenth of the time over expected speed, from the variances that the fit found (normal in log
    speed).
    """
    return float(np.exp(TENTH * np.sqrt(sum(parameters[name] ** 2 for name in REAL_VARIATION))))


def targets(fit: SeasonFit) -> pl.DataFrame:
    """Table `targets`: for each set and whole knot where its optimum lies inside the supported angles, and for `boat`
    the best set's. `vmg_kn` is positive both ways.
    """
    if not fit.log_speed.size:
        return TABLES["targets"].empty()
    factor = best_tenth_factor(fit.parameters)
    rows: list[tuple[object, ...]] = []
    for mode in MODES:
        velocity, angle, exists = best_made_good(np.exp(fit.log_speed)[None], fit.twa_deg, fit.supported, mode)
        rows += _rows(fit, mode, velocity[0], angle, exists, factor)
    frame = pl.DataFrame(rows, schema=TABLES["targets"].columns, orient="row")
    return frame.sort("mode", "sail_set", "tws_kn")


def _rows(
    fit: SeasonFit, mode: str, velocity: Floats, angle: Floats, exists: np.ndarray, factor: float
) -> list[tuple[object, ...]]:
    def row(name: str, k: int, t: int) -> tuple[object, ...]:
        made_good, twa = float(velocity[k, t]), float(angle[k, t])
        speed = made_good / abs(float(np.cos(np.radians(twa))))
        return name, float(fit.tws_kn[t]), mode, twa, speed, made_good, speed * factor

    out = [row(fit.sets[k], k, t) for k, t in np.argwhere(exists)]
    for t in np.flatnonzero(exists.any(axis=0)):
        out.append(row(WHOLE_BOAT, int(np.where(exists[:, t], velocity[:, t], -np.inf).argmax()), int(t)))
    return out

"""Velocity made good at each set's own best angle: what is compared on beats and runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.crossovers.borders import Line
from pipeline.crossovers.crossing import runs
from pipeline.surfaces.season import SeasonFit

CLOSE_HAULED, RUNNING = "close-hauled", "running"
MODES = (CLOSE_HAULED, RUNNING)
BEAM_DEG = 90.0


def made_good_line(fit: SeasonFit, log_draws: Floats, mode: str) -> Line:
    """Log of each set's best velocity made good along true wind speed, as a line to find borders on."""
    speed = np.exp(np.concatenate([fit.log_speed[None], log_draws]))
    velocity, _, exists = best_made_good(speed, fit.twa_deg, fit.supported, mode)
    with np.errstate(invalid="ignore", divide="ignore"):
        log_velocity = np.where(velocity > 0, np.log(velocity), np.nan)
    exists &= np.isfinite(log_velocity).all(axis=0)
    return Line(mode, "tws_kn", None, fit.tws_kn, log_velocity[0], log_velocity[1:], exists)


def best_made_good(
    speed_kn: Floats, twa_deg: Floats, supported: NDArray[np.bool_], mode: str
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Best velocity made good to windward (`close-hauled`) or to leeward (`running`), each set at its own angle.

    `speed_kn` (..., sets, tws, twa), `supported` (sets, tws, twa). Returns the velocity (..., sets, tws), the angle of
    the leading axes' mean surface (sets, tws), and where there is an optimum (sets, tws): one at the edge of the
    supported angles is none, unless that edge is dead downwind. Between the angles of the grid the optimum is that of
    the parabola through its three highest values.
    """
    side = twa_deg < BEAM_DEG if mode == CLOSE_HAULED else twa_deg > BEAM_DEG
    sign = 1.0 if mode == CLOSE_HAULED else -1.0
    towards = sign * np.cos(np.radians(twa_deg))
    made_good = speed_kn * towards
    mean = made_good.reshape(-1, *made_good.shape[-3:]).mean(axis=0)
    count, winds = supported.shape[:2]
    velocity = np.full(made_good.shape[:-1], np.nan)
    angle = np.full((count, winds), np.nan)
    exists = np.zeros((count, winds), dtype=bool)
    for k in range(count):
        for t in range(winds):
            for run in runs(supported[k, t] & side):
                start, stop = run.start, run.stop
                if stop - start < 3:
                    continue  # no parabola through fewer
                peak = start + int(np.argmax(mean[k, t, start:stop]))
                inside = start < peak < stop - 1 or (peak == stop - 1 and twa_deg[peak] >= 180.0)
                if not inside or (exists[k, t] and mean[k, t, peak] <= np.nanmean(velocity[..., k, t])):
                    continue
                exists[k, t] = True
                velocity[..., k, t] = _peak(made_good[..., k, t, start:stop])
                angle[k, t] = _peak_angle(mean[k, t, start:stop], twa_deg[start:stop])
    return velocity, angle, exists


def _peak(values: Floats) -> Floats:
    """Highest value along the last axis, refined by the parabola through it and its neighbours."""
    top = values.argmax(axis=-1)
    middle = np.clip(top, 1, values.shape[-1] - 2)
    left, mid, right = (np.take_along_axis(values, (middle + s)[..., None], -1)[..., 0] for s in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    refined = mid - 0.25 * (left - right) * np.clip(shift, -1.0, 1.0)
    return np.where(top == middle, refined, values.max(axis=-1))


def _peak_angle(values: Floats, twa_deg: Floats) -> float:
    top = int(values.argmax())
    if not 0 < top < len(values) - 1:
        return float(twa_deg[top])
    left, mid, right = values[top - 1 : top + 2]
    bend = left - 2.0 * mid + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(twa_deg[top] + shift * (twa_deg[top + 1] - twa_deg[top]))

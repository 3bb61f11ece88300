"""Covariance of the windows of one day given the surfaces: day effects, drift, tacks, neighbouring windows, noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.surfaces.coordinates import Floats, Ints, mode_weights
from pipeline.surfaces.kernels import exponential
from pipeline.surfaces.parameters import NOISE_PARAMETERS

NOISE_NAMES = tuple(p.name for p in NOISE_PARAMETERS)


@dataclass(frozen=True, slots=True)
class DayBlock:
    """Windows of one sailing day (or a part of a very long one): everything about them but the surfaces.

    `rows` number them in the season; `distance_h` is the time between any two, `same_session`, `same_set` and
    `same_stretch` whether they share one, `mode` the products of their mode weights, `tack` these with the tacks' sign.
    """

    rows: Ints
    distance_h: Floats
    same_session: Floats
    same_set: Floats
    same_stretch: Floats
    mode: Floats
    tack: Floats
    mode_squared: Floats  # (n, 3)


def day_block(rows: Ints, hours: Floats, session: Ints, set_number: Ints, stretch: Ints, twa_deg: Floats) -> DayBlock:
    """The block of windows `rows`; arguments hold the whole season."""
    w = mode_weights(twa_deg[rows])
    s = np.sign(twa_deg[rows])
    h = hours[rows]
    mode = w @ w.T
    return DayBlock(
        rows,
        np.abs(h[:, None] - h[None, :]),
        (session[rows][:, None] == session[rows][None, :]).astype(float),
        (set_number[rows][:, None] == set_number[rows][None, :]).astype(float),
        (stretch[rows][:, None] == stretch[rows][None, :]).astype(float),
        mode,
        mode * (s[:, None] * s[None, :]),
        w**2,
    )


@dataclass(frozen=True, slots=True)
class Weights:
    """Robust weights of the windows and, for each window, of its stretch, (n,) each; `given` is a variance known
    beforehand for each window (from the doubt in its wind), in squared log speed.
    """

    window: Floats
    stretch: Floats
    given: Floats

    def of(self, rows: Ints) -> Weights:
        """Those of some windows."""
        return Weights(self.window[rows], self.stretch[rows], self.given[rows])


def covariance(block: DayBlock, noise: dict[str, float], weight: Weights) -> tuple[Floats, Floats]:
    """Covariance (n, n) in squared log speed, and its white part (n,) on the diagonal; `weight` of these windows."""
    p = noise
    drift, _ = exponential(block.distance_h, p["drift_hours"])
    wander, _ = exponential(block.distance_h, p["wander_hours"])
    white = white_variance(block, p, weight)
    v = (
        p["day_sd"] ** 2
        + block.mode * (p["day_mode_sd"] ** 2 + p["drift_sd"] ** 2 * drift)
        + p["day_set_sd"] ** 2 * block.same_set
        + p["stretch_sd"] ** 2 * (block.same_stretch / weight.stretch[None, :])
        + p["day_tack_sd"] ** 2 * block.tack
        + p["wander_sd"] ** 2 * (block.same_session * wander)
    )
    v[np.diag_indices_from(v)] += white
    return v, white


def white_variance(block: DayBlock, noise: dict[str, float], weight: Weights) -> Floats:
    """Variance of the noise of single windows."""
    by_mode = np.array([noise[f"white_{m}_sd"] ** 2 for m in ("upwind", "reaching", "running")])
    return (block.mode_squared @ by_mode + weight.given) / weight.window


def gradient(block: DayBlock, noise: dict[str, float], weight: Weights, h: Floats) -> Floats:
    """Half of sum(h * dV) for the logarithm of each noise parameter, in the order of `NOISE_PARAMETERS`."""
    p = noise
    drift, d_drift = exponential(block.distance_h, p["drift_hours"])
    wander, d_wander = exponential(block.distance_h, p["wander_hours"])
    h_mode = h * block.mode
    h_session = h * block.same_session
    diagonal = np.diagonal(h) / weight.window
    white = diagonal @ block.mode_squared
    by_name = {
        "day_sd": 2 * p["day_sd"] ** 2 * h.sum(),
        "day_mode_sd": 2 * p["day_mode_sd"] ** 2 * h_mode.sum(),
        "drift_sd": 2 * p["drift_sd"] ** 2 * (h_mode * drift).sum(),
        "drift_hours": p["drift_sd"] ** 2 * (h_mode * d_drift).sum(),
        "day_set_sd": 2 * p["day_set_sd"] ** 2 * (h * block.same_set).sum(),
        "stretch_sd": 2 * p["stretch_sd"] ** 2 * (h * block.same_stretch / weight.stretch[None, :]).sum(),
        "day_tack_sd": 2 * p["day_tack_sd"] ** 2 * (h * block.tack).sum(),
        "wander_sd": 2 * p["wander_sd"] ** 2 * (h_session * wander).sum(),
        "wander_hours": p["wander_sd"] ** 2 * (h_session * d_wander).sum(),
        "white_upwind_sd": 2 * p["white_upwind_sd"] ** 2 * white[0],
        "white_reaching_sd": 2 * p["white_reaching_sd"] ** 2 * white[1],
        "white_running_sd": 2 * p["white_running_sd"] ** 2 * white[2],
    }
    return 0.5 * np.array([by_name[n] for n in NOISE_NAMES])

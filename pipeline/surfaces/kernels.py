"""Prior covariances of the surfaces' coefficients, with their derivatives to the logarithms of their parameters."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats

# Relative to the variance of the block: keeps a Cholesky factor possible, far below anything the data can see.
JITTER = 1e-7


def matern52(distance: Floats, length: float) -> tuple[Floats, Floats]:
    """Matern covariance with smoothness 5/2, and its derivative to log(length).

    Source: Rasmussen & Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq. 4.17.
    """
    r = np.sqrt(5.0) * np.abs(distance) / length
    decay = np.exp(-r)
    return (1.0 + r + r**2 / 3.0) * decay, (r**2 / 3.0) * (1.0 + r) * decay


def exponential(distance: Floats, length: float) -> tuple[Floats, Floats]:
    """Exponential (Ornstein-Uhlenbeck) covariance, and its derivative to log(length). Same source, eq. 4.18."""
    r = np.abs(distance) / length
    decay = np.exp(-r)
    return decay, r * decay


def surface_block(
    wind: Floats, twa_deg: Floats, sd: float, wind_length: float, angle_length_deg: float
) -> tuple[Floats, list[Floats]]:
    """Covariance of a smooth departure at nodes, and derivatives to log sd, log wind length, log angle length."""
    kw, dkw = matern52(wind[:, None] - wind[None, :], wind_length)
    ka, dka = matern52(twa_deg[:, None] - twa_deg[None, :], angle_length_deg)
    v = sd**2
    k = v * kw * ka
    k[np.diag_indices_from(k)] += JITTER * v
    return k, [2.0 * k, v * dkw * ka, v * kw * dka]

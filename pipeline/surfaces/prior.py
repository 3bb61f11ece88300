"""What is thought of the surfaces before any window is seen: mean and covariance of the coefficients, component by
component.

The boat's own speed goes to nothing in no wind and close to it, so its mean falls off there. Each set's departure falls
off away from the wind and angle that it is mostly sailed in, at a rate of its own. Crews leave a set before it has
fallen far: without this the fit would carry its last slope on beyond the windows, and be too hopeful there. Shapes and
sizes were chosen on simulated seasons of seven unlike boats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.surfaces import parameters
from pipeline.surfaces.components import Component, Layout
from pipeline.surfaces.coordinates import Floats, angle_coordinate
from pipeline.surfaces.kernels import surface_block

# Mean of the boat's log speed: 1 - exp(-TWS / first), times 1 - exp(-(|TWA| - second) / third), up to a level.
LIGHT_KN = 10.0
NO_DRIVE_DEG, CLOSE_SCALE_DEG = 20.0, 12.0
LEAST_KN, LEAST_DRIVE_DEG = 0.5, 3.0  # the logarithms need an end
# A set's loss of log speed at one unit of sqrt(kn), and of degrees of the angle coordinate, from its centre: mean, and
# standard deviation between sets. Quadratic at first, straight further out.
FALL_UNIT = (1.0, 30.0)
FALLS = ("fall_wind", "fall_angle")
FALL_SPREAD = 0.7


def component_covariance(part: Component, theta: dict[str, float], wind_centre: float) -> tuple[Floats, dict]:
    """Prior covariance of one component's coefficients and its derivatives by parameter name (logarithms)."""
    wind, angle = (c[part.active] for c in part.lattice.nodes())
    if part.kind == "hull":
        names = ("hull_sd", "hull_wind_length", "hull_angle_length_deg")
        k, d = surface_block(wind, angle, *(theta[n] for n in names))
        w = wind - wind_centre
        k = k + parameters.HULL_LEVEL_SD**2 + parameters.HULL_SLOPE_SD**2 * np.outer(w, w)
        return k, dict(zip(names, d, strict=True))
    lengths = (theta["set_wind_length"], theta["set_angle_length_deg"])
    if part.kind == "set":
        k, d = surface_block(wind, angle, theta["set_sd"], *lengths)
        level = theta["set_level_sd"] ** 2
        d_named = dict(zip(("set_sd", "set_wind_length", "set_angle_length_deg"), d, strict=True))
        d_named["set_level_sd"] = np.full_like(k, 2 * level)
        for name, fall in zip(FALLS, _falls(part), strict=True):
            of_fall = (FALL_SPREAD * theta[name]) ** 2 * np.outer(fall, fall)
            k = k + of_fall
            d_named[name] = 2.0 * of_fall
        return k + level, d_named
    sd = {
        "reef": parameters.REEF_SD,
        "own reef": parameters.OWN_REEF_SD,
        "recut": parameters.RECUT_SD,
    }[part.kind]
    k, d = surface_block(wind, angle, sd * np.sqrt(0.5), *lengths)
    return k + 0.5 * sd**2, {"set_wind_length": d[1], "set_angle_length_deg": d[2]}


@dataclass(frozen=True, slots=True)
class PriorMean:
    """Prior mean of the coefficients: `hull` (p,), less each of `FALLS` times its row of `falls` (2, p)."""

    hull: Floats
    falls: Floats

    def at(self, theta: dict[str, float]) -> Floats:
        """Mean (p,) for parameters by name."""
        return self.hull + sum(self.derivatives(theta).values())

    def derivatives(self, theta: dict[str, float]) -> dict[str, Floats]:
        """Derivatives (p,) of the mean to the logarithms of its parameters."""
        return {name: -theta[name] * fall for name, fall in zip(FALLS, self.falls, strict=True)}


def prior_mean(layout: Layout) -> PriorMean:
    """Prior mean of all coefficients of a layout."""
    hull, falls = np.zeros(layout.size), np.zeros((len(FALLS), layout.size))
    for part in layout.components:
        here = slice(part.first, part.first + part.count)
        if part.kind == "hull":
            hull[here] = _hull_shape(part)
        elif part.kind == "set":
            falls[:, here] = _falls(part)
    return PriorMean(hull, falls)


def _hull_shape(part: Component) -> Floats:
    wind, angle = (c[part.active] for c in part.lattice.nodes())
    degrees = np.arange(0.0, 180.5, 0.5)
    twa = np.interp(angle, angle_coordinate(degrees), degrees)
    tws = np.maximum(wind, np.sqrt(LEAST_KN)) ** 2
    drive = np.maximum(twa - NO_DRIVE_DEG, LEAST_DRIVE_DEG) / CLOSE_SCALE_DEG
    return np.asarray(np.log(-np.expm1(-tws / LIGHT_KN)) + np.log(-np.expm1(-drive)))


def _falls(part: Component) -> list[Floats]:
    """Shape of the fall along wind and angle at each node: 0 at the set's centre, near 1 at one unit."""
    out = []
    for nodes, centre, unit in zip(part.lattice.nodes(), part.centre, FALL_UNIT, strict=True):
        t = (nodes[part.active] - centre) / unit
        out.append(2.0 * (np.hypot(1.0, t) - 1.0))
    return out

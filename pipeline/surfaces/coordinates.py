"""Where a surface lives: the coordinates of TWS and TWA, and the cubic B-spline rows that evaluate it there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.angles import Floats

Ints = NDArray[np.int64]

# Modes of sailing by |TWA|: the centres of the three hats that share out day effects and noise (common practice, no
# source: a boat is close-hauled below about 60 deg and runs beyond about 135).
MODE_CENTRES_DEG = (50.0, 95.0, 145.0)
MODES = ("upwind", "reaching", "running")


def wind_coordinate(tws_kn: Floats) -> Floats:
    """Square root of TWS in sqrt(kn).

    A knot more matters more in light air than in a breeze: in this coordinate one length scale serves both (between
    the plain and the logarithmic scale; chosen on simulated seasons).
    """
    return np.sqrt(np.maximum(np.asarray(tws_kn, dtype=float), 0.0))


# Where the angle's scale begins to change, in deg: forward of the first, and gradually between the other two.
CLOSE_DEG, DEEP_FROM_DEG, DEEP_TO_DEG = 90.0, 115.0, 150.0
LEAST_ANGLE_DEG = 5.0  # the logarithm needs an end


def angle_coordinate(twa_deg: Floats) -> Floats:
    """|TWA| as the fit sees it: degrees about the beam, stretched forward of it and when deep.

    Close to the wind all speed is lost within a few degrees, and running deep within not many more, but about the beam
    little changes in ten: one length scale serves all in a coordinate whose slope is 90 / |TWA| forward of the beam and
    rises from 1 to 2 between 115 and 150 deg (chosen on simulated seasons; the levels themselves carry no meaning).
    """
    a = np.maximum(np.abs(np.asarray(twa_deg, dtype=float)), LEAST_ANGLE_DEG)
    forward = np.where(a < CLOSE_DEG, CLOSE_DEG * (np.log(a / CLOSE_DEG) + 1.0), a)
    width = DEEP_TO_DEG - DEEP_FROM_DEG
    return forward + np.clip(a - DEEP_FROM_DEG, 0.0, width) ** 2 / (2.0 * width) + np.maximum(a - DEEP_TO_DEG, 0.0)


def angle_stretch(twa_deg: Floats) -> Floats:
    """Derivative of `angle_coordinate` to |TWA|."""
    a = np.maximum(np.abs(np.asarray(twa_deg, dtype=float)), LEAST_ANGLE_DEG)
    forward = np.where(a < CLOSE_DEG, CLOSE_DEG / a, 1.0)
    return forward + np.clip((a - DEEP_FROM_DEG) / (DEEP_TO_DEG - DEEP_FROM_DEG), 0.0, 1.0)


def mode_weights(twa_deg: Floats) -> Floats:
    """Share of each mode at an angle, shape (n, 3), rows of unit length so that the variance is the same everywhere."""
    angle = np.clip(np.abs(twa_deg), MODE_CENTRES_DEG[0], MODE_CENTRES_DEG[-1])
    hats = np.stack([np.interp(angle, MODE_CENTRES_DEG, row) for row in np.eye(3)], axis=-1)
    return hats / np.linalg.norm(hats, axis=-1, keepdims=True)


@dataclass(frozen=True, slots=True)
class Axis:
    """Uniform cubic B-splines over [low, low + step * (count - 3)]; `count` basis functions."""

    low: float
    step: float
    count: int

    @classmethod
    def over(cls, low: float, high: float, step: float) -> Axis:
        """The axis that covers [low, high] with knots no further apart than `step`."""
        span = max(high - low, 1e-9)
        pieces = max(1, int(np.ceil(span / step - 1e-9)))
        return cls(low, max(span / pieces, step * 0.25), pieces + 3)

    @property
    def centres(self) -> Floats:
        """Where each basis function peaks."""
        return self.low + self.step * (np.arange(self.count) - 1.0)

    def rows(self, x: Floats, derivative: int = 0) -> tuple[Ints, Floats]:
        """First index (n,) and the four values (n, 4) of the basis, or its derivative, at x (held inside the axis)."""
        pieces = self.count - 3
        t = np.clip((np.asarray(x, dtype=float) - self.low) / self.step, 0.0, pieces)
        first = np.minimum(t.astype(np.int64), pieces - 1)
        f = t - first
        if derivative == 0:
            values = ((1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3)
            scale = 1.0 / 6.0
        elif derivative == 1:
            values = (-((1 - f) ** 2), 3 * f**2 - 4 * f, -3 * f**2 + 2 * f + 1, f**2)
            scale = 0.5 / self.step
        else:
            raise ValueError("derivatives beyond the first are not offered")
        return first, np.stack(values, axis=-1) * scale


@dataclass(frozen=True, slots=True)
class Lattice:
    """Tensor-product nodes over wind and angle coordinate; nodes are numbered wind-major."""

    wind: Axis
    angle: Axis

    @property
    def size(self) -> int:
        """Number of nodes."""
        return self.wind.count * self.angle.count

    def nodes(self) -> tuple[Floats, Floats]:
        """Wind and angle coordinate of every node."""
        wind, angle = np.meshgrid(self.wind.centres, self.angle.centres, indexing="ij")
        return wind.ravel(), angle.ravel()

    def rows(self, wind: Floats, twa_deg: Floats, *, d_wind: int = 0, d_angle: int = 0) -> tuple[Ints, Floats]:
        """Node numbers (n, 16) and weights (n, 16) that evaluate the surface, or a first derivative, at the points.

        The derivatives are to the wind coordinate and to |TWA| in degrees.
        """
        i, b = self.wind.rows(wind, d_wind)
        j, c = self.angle.rows(angle_coordinate(twa_deg), d_angle)
        if d_angle:
            c = c * angle_stretch(twa_deg)[:, None]
        four = np.arange(4)
        index = (i[:, None, None] + four[:, None]) * self.angle.count + (j[:, None, None] + four[None, :])
        value = b[:, :, None] * c[:, None, :]
        return index.reshape(len(i), 16), value.reshape(len(i), 16)

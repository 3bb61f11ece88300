"""How still wind, heading and rudder hold within windows: moments for every possible window at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.angles import Floats, unit_vectors, wrap_180, wrap_360
from pipeline.sailing.stretches import Flags, Ints, counted, cumulated
from pipeline.sailing.track import Track

_SMALLEST_RESULTANT = 1e-9


class Known:
    """How many values of a channel are known in any index range."""

    def __init__(self, known: Flags) -> None:
        """`known` along the track."""
        self._sums = None if known.all() else counted(known)

    def count(self, a: Ints, b: Ints) -> Ints:
        """Known values in [a, b)."""
        return b - a if self._sums is None else self._sums[b] - self._sums[a]


class Sums(Known):
    """Running sums of one channel: mean, spread and trend over any index range in one step; NaN left out.

    `time_s` for the trend counts from a moment near by (squares of large times would cancel).
    """

    def __init__(self, values: Floats, time_s: Floats | None = None) -> None:
        """`values` along the track, `time_s` only where a trend will be asked for."""
        known = np.isfinite(values)
        super().__init__(known)
        if known.all() and known.size:
            self.shift = float(np.mean(values))  # keeps squares from cancelling
            self._values = values - self.shift
        else:
            self.shift = float(np.mean(values[known])) if known.any() else 0.0
            self._values = np.where(known, values - self.shift, 0.0)
        self.x = cumulated(self._values)
        if time_s is not None:
            t = np.where(known, time_s, 0.0) / 60.0
            self.t, self.tt, self.tx = cumulated(t), cumulated(t * t), cumulated(t * self._values)

    @cached_property
    def xx(self) -> Floats:
        """Of the squares, made where a spread is asked for."""
        return cumulated(self._values * self._values)

    def mean(self, a: Ints, b: Ints) -> Floats:
        """Mean over [a, b), NaN where nothing is known."""
        n = self.count(a, b)
        return np.where(n > 0, (self.x[b] - self.x[a]) / np.maximum(n, 1.0) + self.shift, np.nan)

    def sd(self, a: Ints, b: Ints) -> Floats:
        """Standard deviation over [a, b) with n - 1, NaN below two values."""
        n = self.count(a, b)
        m = np.maximum(n, 2.0)
        mean = (self.x[b] - self.x[a]) / m
        var = ((self.xx[b] - self.xx[a]) - m * mean * mean) / (m - 1.0)
        return np.where(n > 1, np.sqrt(np.maximum(var, 0.0)), np.nan)

    def trend_per_min(self, a: Ints, b: Ints) -> Floats:
        """Slope of the straight line through [a, b), units a minute; NaN below three values."""
        n = self.count(a, b)
        m = np.maximum(n, 3.0)
        t, x = self.t[b] - self.t[a], self.x[b] - self.x[a]
        tt, tx = self.tt[b] - self.tt[a] - t * t / m, self.tx[b] - self.tx[a] - t * x / m
        return np.where((n > 2) & (tt > 0), tx / np.where(tt > 0, tt, 1.0), np.nan)


class CircularSums(Known):
    """The same for angles: mean direction and circular spread over index ranges."""

    def __init__(self, angle_deg: Floats) -> None:
        """`angle_deg` along the track."""
        known = np.isfinite(angle_deg)
        super().__init__(known)
        unit = unit_vectors(angle_deg)
        self.total = cumulated(unit if known.all() else np.where(known, unit, 0.0))

    def mean_180(self, a: Ints, b: Ints) -> Floats:
        """Mean direction in [-180, 180), NaN where none exists."""
        c, s, r = self._vector(a, b)
        return np.where(r > _SMALLEST_RESULTANT, wrap_180(np.degrees(np.arctan2(s, c))), np.nan)

    def mean_360(self, a: Ints, b: Ints) -> Floats:
        """Mean direction in [0, 360), NaN where none exists."""
        return wrap_360(self.mean_180(a, b))

    def sd(self, a: Ints, b: Ints) -> Floats:
        """Circular standard deviation sqrt(-2 ln r) in degrees, NaN below two values."""
        _, _, r = self._vector(a, b)
        safe = np.clip(r, _SMALLEST_RESULTANT, 1.0)
        return np.where(self.count(a, b) > 1, np.degrees(np.sqrt(-2.0 * np.log(safe))), np.nan)

    def _vector(self, a: Ints, b: Ints) -> tuple[Floats, Floats, Floats]:
        count = self.count(a, b)
        total, n = self.total[b] - self.total[a], np.maximum(count, 1.0)
        c, s = total.real / n, total.imag / n
        return c, s, np.where(count > 0, np.hypot(c, s), 0.0)


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Spread of wind, heading and rudder over windows; NaN where the channel is not logged."""

    tws_sd_kn: Floats
    tws_mean_kn: Floats
    tws_trend_kn_min: Floats
    twa_sd_deg: Floats
    hdg_sd_deg: Floats
    rudder_sd_deg: Floats


class SteadinessOf:
    """Steadiness of any windows of one track."""

    def __init__(self, track: Track) -> None:
        """Sums for wind, heading and rudder of `track`."""
        begins = track.time_s[np.searchsorted(track.stretch, track.stretch)]
        self.tws = Sums(track.tws_kn, track.time_s - begins)
        self.twa = CircularSums(track.twa_deg)
        self.hdg = CircularSums(track.hdg_deg)
        self.rudder = Sums(track.rudder_deg)

    def over(self, a: Ints, b: Ints) -> Steadiness:
        """Steadiness over the index ranges [a, b)."""
        return Steadiness(
            tws_sd_kn=self.tws.sd(a, b),
            tws_mean_kn=self.tws.mean(a, b),
            tws_trend_kn_min=self.tws.trend_per_min(a, b),
            twa_sd_deg=self.twa.sd(a, b),
            hdg_sd_deg=self.hdg.sd(a, b),
            rudder_sd_deg=self.rudder.sd(a, b),
        )

"""The known answers about changes and races: seconds lost by the set flown, and by each change of sails."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import polars as pl

from tests.known_boat.boat import Floats
from tests.known_boat.truth import Truth
from tests.known_boat.weather import lagged

US = 1e6
KN_PER_MS = 3600.0 / 1852.0


class RaceTruth:
    """Second by second: what the set that was up lost against the fastest of all that the season flew, in the true wind
    and at the true angle; and what the boat would have done with sails that always draw.
    """

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        samples = truth.samples
        self.time_s = samples["time"].to_physical().to_numpy() / US
        self.dt_s = float(truth.options["dt_s"])
        self.sets = truth.flown
        self.speeds = truth.surfaces(self.sets, samples["tws_kn"].to_numpy(), samples["twa_deg"].abs().to_numpy())
        order = {name: k for k, name in enumerate(self.sets)}
        self.up = np.array([order[n] for n in samples["sail_set"].to_list()])
        self.mine = self.speeds[self.up, np.arange(len(self.up))]

    @cached_property
    def lost_share(self) -> Floats:
        """Share of each second that the fastest set would have saved over the same water."""
        return 1.0 - self.mine / self.speeds.max(axis=0)

    def lost_s(self, start_s: Floats, end_s: Floats) -> Floats:
        """Seconds lost in each span by the set being what it was."""
        total = np.concatenate([[0.0], np.cumsum(self.lost_share)]) * self.dt_s
        return total[np.searchsorted(self.time_s, end_s)] - total[np.searchsorted(self.time_s, start_s)]

    @cached_property
    def _undisturbed_kn(self) -> Floats:
        """Speed with sails that always draw, the rest as it was: the day's effect and the boat's lag."""
        samples = self.truth.samples
        aim = self.mine * np.exp(samples["effect"].to_numpy())
        out = np.empty(len(aim))
        days = samples["day"].to_numpy()
        for day in np.unique(days):
            here = days == day
            out[here] = lagged(aim[here], self.dt_s, self.truth.boat.lag_s)
        return out

    def change_cost(self, time_s: Floats, before_s: float, after_s: float) -> tuple[Floats, Floats]:
        """Metres and seconds lost within the span about each time because sails flogged or collapsed, or were being
        changed: everything but the steering.
        """
        speed = self._undisturbed_kn
        lost = np.concatenate([[0.0], np.cumsum(speed - self.truth.samples["bsp_kn"].to_numpy())])
        way = np.concatenate([[0.0], np.cumsum(speed)])
        a, b = np.searchsorted(self.time_s, time_s - before_s), np.searchsorted(self.time_s, time_s + after_s)
        pace = (way[b] - way[a]) / np.maximum(b - a, 1) / KN_PER_MS
        metres = (lost[b] - lost[a]) * self.dt_s / KN_PER_MS
        return metres, metres / np.maximum(pace, 1e-6)

    def manoeuvre_loss_m(self, start_s: Floats, end_s: Floats, downwind: np.ndarray) -> Floats:
        """Metres of velocity made good lost in each span, against the true surface at the mean angle of the 80 s on
        either side of it, on that day. NaN at the ends of the season.
        """
        samples = self.truth.samples
        twa, tws = np.abs(samples["twa_deg"].to_numpy()), samples["tws_kn"].to_numpy()
        day = np.exp(samples["effect"].to_numpy())
        made = samples["bsp_kn"].to_numpy() * np.cos(np.radians(twa))
        side, apart = round(80 / self.dt_s), round(10 / self.dt_s)
        out = np.full(len(start_s), np.nan)
        bounds = zip(*(np.searchsorted(self.time_s, t) for t in (start_s, end_s)), strict=True)
        for i, (a, b) in enumerate(bounds):
            if a < side + apart or b + side + apart > len(twa) or b <= a:
                continue
            angle = np.mean(np.r_[twa[a - side - apart : a - apart], twa[b + apart : b + apart + side]])
            speed = self.truth.surface(self.sets[self.up[a]], tws[a:b], np.full(b - a, angle)) * day[a:b]
            lost = speed * np.cos(np.radians(angle)) - made[a:b]
            out[i] = (-lost if downwind[i] else lost).sum() * self.dt_s / KN_PER_MS
        return out

    def without_manoeuvre(self, time_s: Floats, before_s: float, after_s: float) -> np.ndarray:
        """Whether no tack or gybe lies in the span about each time or soon before it."""
        at = self.truth.manoeuvres["time"].to_physical().to_numpy() / US
        a, b = np.searchsorted(at, time_s - before_s - 120.0), np.searchsorted(at, time_s + after_s + 30.0)
        return a == b


def seconds_of(times: pl.Series) -> Floats:
    return times.cast(pl.Datetime("us")).to_physical().to_numpy() / US

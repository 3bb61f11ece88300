"""What each set does in the conditions that the inventory is judged by, as arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.intervals import HALF_90
from pipeline.surfaces.season import SeasonFit

Bools = NDArray[np.bool_]

SECONDS_PER_HOUR = 3600.0
NODE = 1e-6
# What conditions share is known worse than the fit's draws of it say: a mean over many of them errs this many times as
# much, though a single condition does not. Found on nine seasons of the known boats (781-783): 90 % intervals hold 87 %
# of the worths of sails (79 % without), 93 of the lists' losses (90), 82 of the costs of flying on (71) and 87 of the
# changes of areas (68).
MEANS_ERR = 1.4
BY_CONDITION = ("tws_kn", "twa_deg", "hours", "log_speed", "log_sd", "log_draws", "supported", "reached")


@dataclass(frozen=True, slots=True)
class Judged:
    """The conditions (n of them) and the sets in them.

    `tws_kn`, `twa_deg`, `hours` (n). `log_speed`, `log_sd` (sets, n) and `log_draws` (draws, sets, n): log boat speed
    in knots, NaN out of reach; the draws are for means over conditions, see `MEANS_ERR`. `supported` (sets, n) as of
    the fit; `reached` (sets, n): the surface is given there, be its interval wide. Only sets whose sails are known are
    kept.
    """

    sets: tuple[str, ...]
    tws_kn: Floats
    twa_deg: Floats
    hours: Floats
    log_speed: Floats
    log_sd: Floats
    log_draws: Floats
    supported: Bools
    reached: Bools

    @property
    def covered(self) -> Bools:
        """Conditions (n) in which at least one set is supported."""
        return np.asarray(self.supported.any(axis=0), dtype=bool)

    @property
    def doubt(self) -> Floats:
        """By how much (log speed; sets, n) a set may be slower than expected: half its 90 % interval where it is within
        reach but not supported, 0 elsewhere.
        """
        return np.where(self.reached & ~self.supported, HALF_90 * np.nan_to_num(self.log_sd), 0.0)

    def seconds(self) -> Floats:
        """Seconds for a nautical mile (sets, n) that can be relied on: expected where the set is supported, at the low
        end of its interval of speed where it is only within reach, infinite out of reach.
        """
        log_speed = np.nan_to_num(self.log_speed) - self.doubt
        return np.where(self.reached, SECONDS_PER_HOUR * np.exp(-log_speed), np.inf)

    def where(self, kept: Bools) -> Judged:
        """The same in some of the conditions."""
        by_condition = {name: getattr(self, name)[..., kept] for name in BY_CONDITION}
        return replace(self, **by_condition)

    def of_sets(self, kept: Bools) -> Judged:
        """The same with some of the sets."""
        by_set = {name: getattr(self, name)[kept] for name in ("log_speed", "log_sd", "supported", "reached")}
        names = tuple(name for name, keep in zip(self.sets, kept, strict=True) if keep)
        return replace(self, sets=names, log_draws=self.log_draws[:, kept], **by_set)


def judge(fit: SeasonFit, log_draws: Floats, conditions: pl.DataFrame, boat: Boat) -> Judged:
    """Look the conditions (`tws_kn, twa_deg, hours` on the nodes of the fit) up; off the fit's grid no set is known."""
    tws, twa, hours = (conditions[c].to_numpy().astype(float) for c in ("tws_kn", "twa_deg", "hours"))
    known = [k for k, name in enumerate(fit.sets) if sails_of(name, boat) is not None]
    i, on_tws = _place(fit.tws_kn, tws)
    j, on_twa = _place(fit.twa_deg, twa)
    on = on_tws & on_twa
    none = np.full((len(known), len(tws)), np.nan)
    log_speed, log_sd, draws, supported = none, none, np.full((len(log_draws), *none.shape), np.nan), none == 0.0
    if known and on.any():
        log_speed = np.where(on, fit.log_speed[known][:, i, j], np.nan)
        log_sd = np.where(on, fit.log_sd[known][:, i, j], np.nan)
        draws = np.where(on, log_draws[:, known][:, :, i, j], np.nan)
        middle = draws.mean(axis=0)
        draws = middle + MEANS_ERR * (draws - middle)
        supported = fit.supported[known][:, i, j] & on
    return Judged(
        sets=tuple(fit.sets[k] for k in known),
        tws_kn=tws,
        twa_deg=twa,
        hours=hours,
        log_speed=log_speed,
        log_sd=log_sd,
        log_draws=draws,
        supported=supported,
        reached=np.isfinite(log_speed) & np.isfinite(draws).all(axis=0),
    )


def _place(axis: Floats, value: Floats) -> tuple[NDArray[np.int64], Bools]:
    """Index of the node of each value, and whether there is one."""
    if axis.size == 0:
        return np.zeros(len(value), dtype=np.int64), np.zeros(len(value), dtype=bool)
    k = np.abs(axis[None, :] - value[:, None]).argmin(axis=1)
    return k, np.abs(axis[k] - value) < NODE


def needs(sets: tuple[str, ...], boat: Boat) -> Bools:
    """Which sail (sails in the order of `boat.toml`) each set needs: (sails, sets). A reefed set needs no more."""
    members = [set(sails_of(name, boat) or ()) for name in sets]
    found = np.array([[code in m for m in members] for code in boat.sails], dtype=bool)
    return found.reshape(len(boat.sails), len(sets))


def fastest(merit: Floats, allowed: Bools) -> NDArray[np.int64]:
    """Index (n) of the allowed set with the highest merit (sets, n), -1 where none is allowed."""
    if len(merit) == 0:
        return np.full(allowed.shape[1], -1)
    ranked = np.where(allowed, merit, -np.inf)
    return np.where(allowed.any(axis=0), ranked.argmax(axis=0), -1)

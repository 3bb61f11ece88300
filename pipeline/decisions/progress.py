"""Progress along the leg lost over a short span, against what the boat would have sailed without what happened there.

Expected is the flown set's surface at each second's wind, scaled by how the boat went just before and after (so that a
slow day is no cost). On beats and runs progress is velocity made good, expected at the mean angle of the time beside
the span; else it is speed, expected through the boat's lag at the angle of the moment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import AsSailed, Ints
from pipeline.decisions.surface_lookup import places_of
from pipeline.sailing.expected_speed import expected_speed_kn
from pipeline.sailing.speed_lag import lagged, usual_lag_s
from pipeline.sailing.times import seconds
from pipeline.surfaces.season import SeasonFit
from pipeline.units import KN_PER_MS

# The time beside a span from which the boat's level is taken, and how much of it must be undisturbed.
BESIDE_S = 240.0
LEAST_BESIDE_S = 40.0
# Sailed closer than this, or deeper, on both sides of the span: a beat, a run.
BEAT_BELOW_DEG, RUN_ABOVE_DEG = 62.0, 130.0
# The surfaces are silent in the middle of a tack or gybe.
LONGEST_BRIDGE_S = 60.0
TURNS = ("tack", "gybe")
# Share of the span that must be known.
LEAST_KNOWN = 0.9

BEAT, RUN, REACH = "beat", "run", "reach"


@dataclass(frozen=True, slots=True)
class Lost:
    """Metres of progress lost, the same in seconds at the expected progress, how progress was counted, and on how many
    sides of the span the boat's level is known.
    """

    metres: float
    seconds: float
    counted: str
    sides: int


@dataclass(frozen=True, slots=True)
class Progress:
    """A season ready to be asked. `busy`: in a manoeuvre or its build-up, or around a sail change."""

    sailed: AsSailed
    fit: SeasonFit
    log_speed: Floats  # (sets, nodes)
    expected_kn: Floats  # through the lag, of the set flown
    busy: NDArray[np.bool_]

    def lost(self, first: int, end: int, *, by_speed: bool = False, one_side: bool = False) -> Lost | None:
        """Over the steps [first, end) of the track; None where too little is known of it or of the time beside it.

        `by_speed`: count speed even on a beat or a run, as where the course changes within. `one_side`: leave out what
        came before, as for a yardstick of what that costs.
        """
        track = self.sailed.track
        least = track.count(LEAST_BESIDE_S)
        before, after = (b if len(b) >= least else b[:0] for b in self._beside(first, end))
        if one_side and len(after):
            before = before[:0]
        known = [b for b in (before, after) if len(b)]
        if not known:
            return None
        before, after = known[0], known[-1]
        angles = [_mean_angle(track.twa_deg[b]) for b in (before, after)]
        counted = REACH if by_speed else _counted(angles)
        here = slice(first, end)
        if counted == REACH:
            expected = self.expected_kn[here]
            levels = [_level(track.bsp_kn[b], self.expected_kn[b]) for b in (before, after)]
            made = track.bsp_kn[here]
        else:
            angle = 0.5 * (angles[0] + angles[1])
            sign = 1.0 if counted == BEAT else -1.0
            expected = self._made_good(np.arange(first, end), angle)
            levels = [
                _level(sign * track.bsp_kn[b] * np.cos(np.radians(track.twa_deg[b])), self._made_good(b, angle))
                for b in (before, after)
            ]
            made = sign * track.bsp_kn[here] * np.cos(np.radians(track.twa_deg[here]))
        return _sum(self._scaled(expected, levels, first, end), made, track.step_s, counted, len(known))

    def roughly(self, loa_m: float) -> Progress:
        """The same, with the season's median speed at about the same wind, all sets together, where the set flown has
        no surface: at a mark, before the sails are changed.
        """
        track = self.sailed.track
        usual = lagged(expected_speed_kn(track), track.step_s, usual_lag_s(loa_m))
        return replace(self, expected_kn=np.where(np.isfinite(self.expected_kn), self.expected_kn, usual))

    def _scaled(self, expected: Floats, levels: list[float], first: int, end: int) -> Floats:
        """Each side of a change by its own level, a span of one set by a level that goes from one to the other."""
        segment = self.sailed.segment[first:end]
        later = segment != segment[0] if segment[0] != segment[-1] else np.linspace(0.0, 1.0, end - first)
        return expected * (levels[0] * (1.0 - later) + levels[1] * later)

    def _beside(self, first: int, end: int) -> tuple[Ints, Ints]:
        track, segment = self.sailed.track, self.sailed.segment
        time_s = track.time_s
        a = np.searchsorted(time_s, time_s[first] - BESIDE_S)
        b = np.searchsorted(time_s, time_s[end - 1] + BESIDE_S)
        before, after = np.arange(a, first), np.arange(end, b)
        good = ~self.busy & np.isfinite(self.expected_kn) & np.isfinite(track.bsp_kn)
        before = before[good[before] & (segment[before] == segment[first])]
        return before, after[good[after] & (segment[after] == segment[end - 1])]

    def _made_good(self, at: Ints, angle_deg: float) -> Floats:
        """Expected velocity made good (positive) at the winds of steps `at`, sailed at that angle."""
        track = self.sailed.track
        speed = flown_speed(
            self.fit, self.log_speed, track.tws_kn[at], np.full(len(at), angle_deg), self.sailed.set_number[at]
        )
        return speed * abs(float(np.cos(np.radians(angle_deg))))


def progress_of(
    sailed: AsSailed, fit: SeasonFit, change_s: Floats, around_s: tuple[float, float], loa_m: float
) -> Progress:
    """A season's progress. `change_s`: times of sail changes, around which `around_s` (before, after) is disturbed."""
    track = sailed.track
    log_speed = fit.log_speed.reshape(len(fit.sets), -1)
    steady = flown_speed(fit, log_speed, track.tws_kn, track.twa_deg, sailed.set_number)
    across = sailed.manoeuvres.filter(pl.col("kind").is_in(TURNS))
    steady = _bridged(steady, track.time_s, _within(track.time_s, _spans(across, "turn_end")))
    expected = np.full(len(track), np.nan)
    for k in np.unique(track.stretch):
        here = np.flatnonzero(track.stretch == k)
        expected[here] = lagged(steady[here], track.step_s, usual_lag_s(loa_m))
    expected[~np.isfinite(steady)] = np.nan
    around = [(t - around_s[0], t + around_s[1]) for t in change_s]
    return Progress(sailed, fit, log_speed, expected, _within(track.time_s, _spans(sailed.manoeuvres, "end") + around))


def _spans(manoeuvres: pl.DataFrame, end: str) -> list[tuple[float, float]]:
    return list(zip(seconds(manoeuvres["start"]).tolist(), seconds(manoeuvres[end]).tolist(), strict=True))


def _within(time_s: Floats, spans: list[tuple[float, float]]) -> NDArray[np.bool_]:
    out = np.zeros(len(time_s), dtype=bool)
    for start_s, end_s in spans:
        out[np.searchsorted(time_s, start_s) : np.searchsorted(time_s, end_s, side="right")] = True
    return out


def _bridged(values: Floats, time_s: Floats, turning: NDArray[np.bool_]) -> Floats:
    """Tacks and gybes filled in a straight line: what the boat would have done without them."""
    known = np.flatnonzero(np.isfinite(values) & ~turning)
    hole = np.flatnonzero(turning)
    out = np.where(turning, np.nan, values)
    if known.size < 2 or hole.size == 0:
        return out
    after = np.clip(np.searchsorted(known, hole), 1, len(known) - 1)
    left, right = known[after - 1], known[after]
    short = (left < hole) & (hole < right) & (time_s[right] - time_s[left] <= LONGEST_BRIDGE_S)
    out[hole[short]] = np.interp(time_s[hole[short]], time_s[known], values[known])
    return out


def flown_speed(fit: SeasonFit, log_speed: Floats, tws_kn: Floats, twa_deg: Floats, set_number: Ints) -> Floats:
    """Speed (n,) in knots by the surface of the set flown, NaN where it has none. `log_speed` (sets, nodes)."""
    places = places_of(fit, tws_kn, twa_deg)
    mine = np.maximum(set_number, 0)
    out = np.zeros(len(mine))
    for node, weight in zip(places.node, places.weight, strict=True):
        out += np.where(weight > 0.0, log_speed[mine, node], 0.0) * weight
    return np.where(places.inside & (set_number >= 0), np.exp(out), np.nan)


def _mean_angle(twa_deg: Floats) -> float:
    angle = np.radians(np.abs(twa_deg))
    return float(np.degrees(np.arctan2(np.nanmean(np.sin(angle)), np.nanmean(np.cos(angle)))))


def _counted(angles: list[float]) -> str:
    if max(angles) < BEAT_BELOW_DEG:
        return BEAT
    return RUN if min(angles) > RUN_ABOVE_DEG else REACH


def _level(made: Floats, expected: Floats) -> float:
    """How the boat went against expectation: ratio of the sums, so that neither gusts nor waves bias it."""
    known = np.isfinite(made) & np.isfinite(expected)
    return float(made[known].sum() / expected[known].sum()) if known.any() else float("nan")


def _sum(expected: Floats, made: Floats, step_s: float, counted: str, sides: int) -> Lost | None:
    known = np.isfinite(expected) & np.isfinite(made)
    if known.mean() < LEAST_KNOWN:
        return None
    metres = float((expected - made)[known].mean() * len(known) * step_s / KN_PER_MS)
    pace = float(expected[known].mean()) / KN_PER_MS
    return Lost(metres, metres / pace, counted, sides) if pace > 0 else None

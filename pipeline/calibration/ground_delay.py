"""By how much boat speed, heading and wind are late against the motion over ground, from the turns.

In a turn the velocity through the water swings by its own size within seconds; a heading that comes tau seconds late
leaves a residual of tau times the rate of turn times the speed, across the course, and a late log one of tau times the
acceleration, along it. Both are fitted by least squares to what changes within half a minute, so that the current and
lasting errors of calibration do not matter. For the wind the air's own motion over the water, which the turn of
the boat should not change, takes the place of the motion over ground.
A damped sensor's lag shows as its time constant. Delays are against the position receiver's speed and course, which may
be late itself: a common delay of all sensors cannot be told and does not matter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from pipeline.angles import Floats, wrap_180
from pipeline.calibration.legs import Motion, turning
from pipeline.sailing.smoothing import moving_mean
from pipeline.sailing.stretches import Flags, Ints, runs

# What lasts longer than this is left to the calibration, what is shorter is noise.
SLOW_S, FAST_S = 40.0, 3.0
# Turns needed, and how far a delay may go before it is something else.
LEAST_TURNS, MOST_DELAY_S = 8, 15.0
_STEPS = 4
_USUAL_LEEWAY, _LEEWAY_MOST_DEG = 8.0, 12.0
Residual = Callable[[Motion, Floats], tuple[Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Delay:
    """`delay_s`: how late the channel is against the ground (early: negative); `sd_s`; `turns` it comes from.

    Both are NaN where too few turns are logged.
    """

    channel: str
    delay_s: float
    sd_s: float
    turns: int

    @property
    def told(self) -> float:
        """The delay to compensate: 0 where the data do not tell it from none."""
        return self.delay_s if np.isfinite(self.delay_s) and abs(self.delay_s) > 2.0 * self.sd_s else 0.0


def estimate_delays(motion: Motion, loa_m: float) -> tuple[Delay, Delay, Delay]:
    """Delays of boat speed, heading and apparent wind, in this order."""
    motion, turn = _near_turns(motion, turning(motion, loa_m))
    first, end = runs(turn, motion.block)
    speed, heading = _fit(motion, turn, first, end, _water_residual, ("boat speed", "heading"))
    settled = compensated(motion, speed.told, heading.told)
    (wind,) = _fit(settled, turn, first, end, _wind_residual, ("apparent wind",))
    return speed, heading, wind


def compensated(motion: Motion, speed_delay_s: float, heading_delay_s: float, wind_delay_s: float = 0.0) -> Motion:
    """The motion with its channels moved back by their delays; missing where they would come from over a gap."""
    t = motion.time_s
    hdg = _shifted_angle(motion.hdg_deg, t, heading_delay_s)
    return replace(
        motion,
        bsp_kn=_shifted(motion.bsp_kn, t, speed_delay_s),
        hdg_deg=hdg,
        compass_deg=_shifted_angle(motion.compass_deg, t, heading_delay_s),
        awa_deg=_shifted_angle(motion.awa_deg, t, wind_delay_s),
        aws_kn=_shifted(motion.aws_kn, t, wind_delay_s),
    )


def _fit(
    motion: Motion, turn: Flags, first: Ints, end: Ints, residual: Residual, names: tuple[str, ...]
) -> tuple[Delay, ...]:
    """Gauss-Newton on the delays; standard deviations from the scatter between turns."""
    if len(first) < LEAST_TURNS:
        return tuple(Delay(n, float("nan"), float("nan"), len(first)) for n in names)
    delays = np.zeros(len(names))
    sd = np.full(len(names), np.nan)
    turns = 0
    for _ in range(_STEPS):
        y, x = residual(motion, delays)
        y, x = _band(y, motion), _band(x, motion)
        ok = turn & np.isfinite(y).all(axis=1) & np.isfinite(x).all(axis=(1, 2))
        normal, right = _by_turn(y, x, ok, first, end)
        turns = int((np.abs(normal).sum(axis=(1, 2)) > 0).sum())
        if turns < LEAST_TURNS:
            return tuple(Delay(n, float("nan"), float("nan"), turns) for n in names)
        inverse = np.linalg.pinv(normal.sum(axis=0))
        step = inverse @ right.sum(axis=0)
        scatter = right - normal @ step
        sd = np.sqrt(np.diag(inverse @ (scatter.T @ scatter) @ inverse))[: len(names)]
        delays = np.clip(delays + step[: len(names)], -MOST_DELAY_S, MOST_DELAY_S)
    lost = np.abs(delays) >= MOST_DELAY_S
    return tuple(
        Delay(n, float("nan") if lost[i] else float(delays[i]), float(sd[i]), turns) for i, n in enumerate(names)
    )


def _near_turns(motion: Motion, turn: Flags) -> tuple[Motion, Flags]:
    """The motion about its turns only, each neighbourhood a block of its own: the rest is not looked at."""
    n, reach = len(motion), motion.count(SLOW_S)
    begun = np.concatenate(([0], np.cumsum(turn)))
    i = np.arange(n)
    near = begun[np.minimum(i + reach + 1, n)] > begun[np.maximum(i - reach, 0)]
    new = np.concatenate(([True], (np.diff(motion.block) != 0) | ~near[:-1])) if n else near
    numbered = replace(motion, block=np.cumsum(new).astype(np.int64))
    return replace(numbered, **{f.name: getattr(numbered, f.name)[near] for f in fields(numbered)}), turn[near]


def _by_turn(y: Floats, x: Floats, ok: Flags, first: Ints, end: Ints) -> tuple[Floats, Floats]:
    p = x.shape[2]
    normal, right = np.zeros((len(first), p, p)), np.zeros((len(first), p))
    for k, (a, b) in enumerate(zip(first, end, strict=True)):
        here = ok[a:b]
        xs, ys = x[a:b][here].reshape(-1, p), y[a:b][here].ravel()
        normal[k], right[k] = xs.T @ xs, xs.T @ ys
    return normal, right


def _water_residual(motion: Motion, delays: Floats) -> tuple[Floats, Floats]:
    """Ground less water velocity, and its change with the delays, speed factor, heading offset and leeway."""
    now = compensated(motion, *delays)
    t = motion.time_s
    unit = np.nan_to_num(motion.unit_leeway_deg())
    leeway = np.clip(_USUAL_LEEWAY * unit, -_LEEWAY_MOST_DEG, _LEEWAY_MOST_DEG)
    course = np.radians(now.hdg_deg + leeway)
    along = np.column_stack((np.cos(course), np.sin(course)))
    across = np.column_stack((-np.sin(course), np.cos(course)))
    speed = now.bsp_kn[:, None]
    gain = _rate(now.bsp_kn, t)[:, None]
    turn = np.radians(_turn_rate(now.hdg_deg, t))[:, None]
    swept = np.radians(np.where(np.abs(leeway) < _LEEWAY_MOST_DEG, unit, 0.0))[:, None] * speed * across
    y = np.column_stack((motion.north_kn, motion.east_kn)) - speed * along
    return y, np.stack((gain * along, turn * speed * across, speed * along, speed * across, swept), axis=2)


def _wind_residual(motion: Motion, delays: Floats) -> tuple[Floats, Floats]:
    """The air's motion over the water (where the wind comes from), its change with the delay, angle offset and factor.

    The signs are those of an observed less a modelled value, the model being no change in the turn.
    """
    now = compensated(motion, 0.0, 0.0, float(delays[0]))
    t = motion.time_s
    hdg = np.radians(motion.hdg_deg)
    angle = hdg + np.radians(now.awa_deg)
    boat = motion.bsp_kn[:, None] * np.column_stack((np.cos(hdg), np.sin(hdg)))
    along = np.column_stack((np.cos(angle), np.sin(angle)))
    across = np.column_stack((-np.sin(angle), np.cos(angle)))
    speed = now.aws_kn[:, None]
    swing = np.radians(_turn_rate(now.awa_deg, t))[:, None]
    gain = _rate(now.aws_kn, t)[:, None]
    change = gain * along + swing * speed * across
    return -(speed * along - boat), np.stack((change, speed * across, speed * along), axis=2)


def _band(values: Floats, motion: Motion) -> Floats:
    """What changes faster than `SLOW_S` and slower than `FAST_S`, column by column."""
    flat = values.reshape(len(values), -1)
    out = np.empty_like(flat)
    for j in range(flat.shape[1]):
        fast = moving_mean(flat[:, j], motion.count(FAST_S), motion.block)
        out[:, j] = fast - moving_mean(flat[:, j], motion.count(SLOW_S), motion.block)
    return out.reshape(values.shape)


def _rate(values: Floats, time_s: Floats) -> Floats:
    return np.gradient(values, time_s) if len(values) > 2 else np.zeros(len(values))


def _turn_rate(angle_deg: Floats, time_s: Floats) -> Floats:
    """Degrees a second; by the change between neighbours, folded."""
    out = np.full(len(angle_deg), np.nan)
    if len(angle_deg) > 2:
        out[1:-1] = wrap_180(angle_deg[2:] - angle_deg[:-2]) / np.maximum(time_s[2:] - time_s[:-2], 1e-3)
    return out


def _shifted(values: Floats, time_s: Floats, delay_s: float) -> Floats:
    if delay_s == 0.0 or len(values) < 2:
        return values
    return np.interp(time_s + delay_s, time_s, values, left=np.nan, right=np.nan)


def _shifted_angle(angle_deg: Floats, time_s: Floats, delay_s: float) -> Floats:
    if delay_s == 0.0 or len(angle_deg) < 2:
        return angle_deg
    rad = np.radians(angle_deg)
    return np.degrees(np.arctan2(_shifted(np.sin(rad), time_s, delay_s), _shifted(np.cos(rad), time_s, delay_s)))

"""Legs and bits: what of a season's sailing can be held against the ground, and how it is cut.

A leg is a stretch between two turns, on one tack, without a gap. It is cut into bits of less than a minute. Motions are
averaged over a bit as vectors, and the mean motion over ground is exactly the mean motion through the water plus the
mean current, whatever the helmsman did: so a bit needs no steady speed, only that the boat is not in a turn, where the
sensors' delays and the leeway of a boat without way count.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.angles import Floats, difference, wrap_180
from pipeline.sailing.smoothing import moving_angle
from pipeline.sailing.stretches import Flags, Ints, runs
from pipeline.wind.leeway import leeway_size_deg

# A faster log is averaged into steps of this length.
STEP_S = 1.0
# Bits are no longer than this, and a rest shorter than the least is left out.
BIT_S, LEAST_BIT_S = 45.0, 20.0
# A gap in the log that ends a leg.
LONGEST_GAP_S = 6.0
# Within this time so much change of heading is a turn: a helmsman's swing in a sea is less once smoothed.
TURN_WITHIN_S, TURN_DEG, TURN_SMOOTHING_S = 10.0, 15.0, 8.0
BEFORE_TURN_S = 5.0
SIDE_SMOOTHING_S = 15.0
# After a turn a boat gathers way; the longer the boat the longer it takes.
AFTER_TURN_PER_M_S, AFTER_TURN_LEAST_S, AFTER_TURN_MOST_S = 0.8, 10.0, 30.0
# A log's wheel below this speed sticks, and leeway by the rule is at its bound.
LEAST_BSP_KN, LEAST_SHARE_OF_MEDIAN = 1.5, 0.3
_US = 1e6
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Motion:
    """The season as arrays of one length, ascending in time, at no more than one a second; NaN where missing.

    `north_kn`, `east_kn`: over ground; `bsp_kn`: through the water, corrected as in use; `hdg_deg`: true, corrected as
    in use; `compass_deg`: heading as logged, magnetic where it is logged so; `leeway_deg`: measured, to starboard;
    `to_leeward_deg`: heel away from the wind; `awa_deg`, `aws_kn`: corrected, horizontal, at the sensor's height;
    `block`: number of the session's part within one day (UTC).
    """

    time_s: Floats
    block: Ints
    north_kn: Floats
    east_kn: Floats
    bsp_kn: Floats
    hdg_deg: Floats
    compass_deg: Floats
    twa_deg: Floats
    to_leeward_deg: Floats
    leeway_deg: Floats
    awa_deg: Floats
    aws_kn: Floats

    def __len__(self) -> int:
        """Number of steps."""
        return len(self.time_s)

    def count(self, seconds: float) -> int:
        """Number of steps in `seconds`, at least one."""
        gaps = np.diff(self.time_s)
        step_s = float(np.median(gaps)) if gaps.size else STEP_S
        return max(1, round(seconds / max(step_s, 1e-3)))

    def unit_leeway_deg(self) -> Floats:
        """Leeway to starboard for a coefficient of 1: heel to leeward over speed squared, fading off the wind."""
        return -np.sign(self.twa_deg) * leeway_size_deg(self.to_leeward_deg, self.bsp_kn, self.twa_deg, 1.0)


@dataclass(frozen=True, slots=True)
class Bits:
    """`bit`: number of the bit of each step of the motion, -1 outside; the rest has one value a bit, ascending in time.

    `leg` counts legs through the season, `side` is 1 with the wind from starboard, -1 from port.
    """

    bit: Ints
    time_s: Floats
    length_s: Floats
    leg: Ints
    block: Ints
    side: Floats

    def __len__(self) -> int:
        """Number of bits."""
        return len(self.time_s)


def motion_of(samples: pl.DataFrame, sessions: pl.DataFrame) -> Motion:
    """Motion of samples with wind (columns of `WindOfSamples.samples`); samples outside every session are left out.

    Only speed through the water counts: where speed over ground stands in for it, it is missing here.
    """
    frame = _stepped(_vectors(samples))
    get = {c: frame[c].to_numpy().astype(float) for c in frame.columns}
    block = _blocks(get["t"], sessions)
    heel, twa = get["heel"], wrap_180(np.degrees(np.arctan2(get["ts"], get["tc"])))
    motion = Motion(
        time_s=get["t"],
        block=block,
        north_kn=get["gn"],
        east_kn=get["ge"],
        bsp_kn=get["bsp"],
        hdg_deg=np.degrees(np.arctan2(get["hs"], get["hc"])),
        compass_deg=np.degrees(np.arctan2(get["ms"], get["mc"])),
        twa_deg=twa,
        to_leeward_deg=-heel * np.sign(twa),
        leeway_deg=get["leeway"],
        awa_deg=wrap_180(np.degrees(np.arctan2(get["as"], get["ac"]))),
        aws_kn=np.hypot(get["as"], get["ac"]),
    )
    inside = block >= 0
    return replace(motion, **{f.name: getattr(motion, f.name)[inside] for f in fields(motion)})


def find_bits(motion: Motion, loa_m: float) -> Bits:
    """Legs and bits of a season's motion."""
    known = np.isfinite(motion.north_kn) & np.isfinite(motion.bsp_kn) & np.isfinite(motion.hdg_deg)
    fast = motion.bsp_kn[known]
    least = max(LEAST_BSP_KN, LEAST_SHARE_OF_MEDIAN * float(np.median(fast))) if fast.size else LEAST_BSP_KN
    side = np.sign(moving_angle(motion.twa_deg, motion.count(SIDE_SMOOTHING_S), motion.block))
    use = known & (motion.bsp_kn >= least) & ~turning(motion, loa_m) & np.isfinite(side)
    part = _part(motion, side)
    first, end = runs(use, part)
    bit = np.full(len(motion), -1, dtype=np.int64)
    rows: list[tuple[float, float, int, int, float]] = []
    for leg, (a, b) in enumerate(zip(first, end, strict=True)):
        for lo, hi in _cut(motion.time_s[a:b]):
            bit[a + lo : a + hi] = len(rows)
            t = motion.time_s[a + lo : a + hi]
            rows.append((float(t.mean()), float(t[-1] - t[0]), leg, int(motion.block[a]), float(side[a])))
    columns = [np.array(c) for c in zip(*rows, strict=True)] if rows else [np.zeros(0)] * 5
    time_s, length_s, leg_of, block, side_of = columns
    return Bits(
        bit, time_s.astype(float), length_s.astype(float), leg_of.astype(np.int64), block.astype(np.int64), side_of
    )


def turning(motion: Motion, loa_m: float) -> Flags:
    """True in turns, from a little before them until the boat has way again."""
    n = len(motion)
    if n == 0:
        return np.zeros(0, dtype=bool)
    hdg = moving_angle(motion.hdg_deg, motion.count(TURN_SMOOTHING_S), motion.block)
    half = motion.count(TURN_WITHIN_S / 2)
    i = np.arange(n)
    swing = np.abs(difference(hdg[np.minimum(i + half, n - 1)], hdg[np.maximum(i - half, 0)]))
    turn = np.nan_to_num(swing) > TURN_DEG
    after_s = float(np.clip(AFTER_TURN_PER_M_S * loa_m, AFTER_TURN_LEAST_S, AFTER_TURN_MOST_S))
    before, after = motion.count(BEFORE_TURN_S), motion.count(after_s)
    begun = np.concatenate(([0], np.cumsum(turn)))
    return begun[np.minimum(i + before + 1, n)] > begun[np.maximum(i - after, 0)]


def _cut(time_s: Floats) -> list[tuple[int, int]]:
    """Index ranges of bits in one leg, of equal length in time."""
    span = float(time_s[-1] - time_s[0])
    if span < LEAST_BIT_S:
        return []
    number = max(1, int(np.ceil(span / BIT_S)))
    edges = np.searchsorted(time_s, time_s[0] + span * np.arange(1, number) / number)
    bounds = [0, *edges.tolist(), len(time_s)]
    return [(a, b) for a, b in pairwise(bounds) if b - a >= 3]


def _part(motion: Motion, side: Floats) -> Ints:
    """Number that changes where a leg must end: at gaps, blocks, changes of tack."""
    n = len(motion)
    if n == 0:
        return np.zeros(0, dtype=np.int64)
    new = np.diff(motion.time_s) > max(LONGEST_GAP_S, 3.0 * STEP_S * motion.count(1.0))
    new |= (np.diff(motion.block) != 0) | (side[1:] != side[:-1])
    return np.concatenate(([0], np.cumsum(new))).astype(np.int64)


def _blocks(time_s: Floats, sessions: pl.DataFrame) -> Ints:
    """Block of each time: its session and its day (UTC); -1 outside every session."""
    if sessions.height == 0 or time_s.size == 0:
        return np.full(time_s.size, -1, dtype=np.int64)
    ordered = sessions.sort("start")
    start, end = (ordered[c].cast(pl.Datetime("us")).to_physical().to_numpy() / _US for c in ("start", "end"))
    at = np.searchsorted(start, time_s + 0.5 * STEP_S, side="right") - 1
    inside = (at >= 0) & (time_s <= end[np.maximum(at, 0)] + STEP_S)
    day = np.floor(time_s / _DAY_S).astype(np.int64)
    key = np.where(inside, at * 1_000_000 + day, -1)
    _, number = np.unique(key[inside], return_inverse=True)
    out = np.full(time_s.size, -1, dtype=np.int64)
    out[inside] = number
    return out


def _vectors(samples: pl.DataFrame) -> pl.DataFrame:
    def col(name: str) -> pl.Expr:
        if name not in samples.columns:
            return pl.lit(None, pl.Float64)
        return pl.col(name).cast(pl.Float64).fill_nan(None)

    water = pl.col("speed_source").eq("water") if "speed_source" in samples.columns else pl.lit(True)
    compass = "hdg_mag" if "hdg_mag" in samples.columns and samples["hdg_mag"].is_not_null().any() else "hdg_deg"
    sog, cog, hdg, twa = col("sog"), col("cog").radians(), col("hdg_deg").radians(), col("twa_deg").radians()
    return samples.select(
        t=pl.col("time").cast(pl.Datetime("us")).to_physical() / _US,
        gn=sog * cog.cos(),
        ge=sog * cog.sin(),
        bsp=pl.when(water).then(col("bsp_kn")),
        hc=hdg.cos(),
        hs=hdg.sin(),
        mc=col(compass).radians().cos(),
        ms=col(compass).radians().sin(),
        tc=twa.cos(),
        ts=twa.sin(),
        heel=col("heel_deg"),
        # the channel itself may have the contrary sign, which `leeway_deg` has settled
        leeway=pl.when(col("leeway").is_not_null()).then(col("leeway_deg")),
        ac=col("aws_kn") * col("awa_deg").radians().cos(),
        **{"as": col("aws_kn") * col("awa_deg").radians().sin()},
    ).sort("t", maintain_order=True)


def _stepped(frame: pl.DataFrame) -> pl.DataFrame:
    """One row a step of a second at most; a slower log stays as it is."""
    step = (pl.col("t") / STEP_S).floor()
    return frame.group_by(step.alias("step"), maintain_order=True).agg(pl.all().mean()).drop("step")

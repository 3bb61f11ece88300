"""The samples of a season as arrays at no more than one a second: what manoeuvres and windows work on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.angles import Floats, half_turn, wrap_360
from pipeline.sailing.smoothing import Smoothed
from pipeline.sailing.stretches import Ints, stretch_numbers

# Faster logs are averaged into steps of this length: nothing that a yacht does is quicker, and noise averages out.
STEP_S = 1.0
# A log counts as faster than the step only where most of its gaps are clearly shorter.
_FAST_SHARE = 0.7
_US = 1e6
# Taken from the samples as they are.
CHANNELS_READ = ("rudder", "sog", "cog")


@dataclass(frozen=True, slots=True)
class Track:
    """Arrays of one length, ascending in time. NaN where missing; angles signed to starboard, directions true.

    `time_s`: seconds since 1970; `step_s`: usual step; `stretch`: number of the unbroken stretch; `samples`: samples of
    the log in each step; `ground`: speed over ground stands in for boat speed.
    """

    time_s: Floats
    step_s: float
    stretch: Ints
    samples: Ints
    bsp_kn: Floats
    tws_kn: Floats
    twa_deg: Floats
    twd_deg: Floats
    aws_kn: Floats
    awa_deg: Floats
    hdg_deg: Floats
    ctw_deg: Floats
    heel_deg: Floats
    rudder_deg: Floats
    sog_kn: Floats
    cog_deg: Floats
    ground: np.ndarray
    _made: list[Smoothed] = field(init=False, default_factory=list, repr=False, compare=False)

    def __len__(self) -> int:
        """Number of steps."""
        return len(self.time_s)

    def count(self, seconds: float) -> int:
        """Number of steps in `seconds`, at least one."""
        return max(1, round(seconds / self.step_s))

    def smooth(self, channel: str, seconds: float) -> Floats:
        """Centred moving mean of a channel; not to be changed, for others get the same."""
        return self._smoothed.mean(channel, getattr(self, channel), self.count(seconds))

    def smooth_angle(self, channel: str, seconds: float) -> Floats:
        """The same for a channel of angles, in [-180, 180)."""
        return self._smoothed.angle(channel, getattr(self, channel), self.count(seconds))

    @property
    def _smoothed(self) -> Smoothed:
        if not self._made:
            self._made.append(Smoothed(self.stretch))
        return self._made[0]

    def forget(self) -> None:
        """Let go of what was smoothed: it takes more room than the track."""
        self._made.clear()


def track_of(samples: pl.DataFrame) -> Track:
    """Track of samples with wind (columns of `WindOfSamples.samples`), averaged where the log is faster than a step.

    Wind is averaged as vector, headings on the circle, the rest plainly; the time of a step is the mean of its samples.
    """
    frame = _numbers(samples)
    time_s = frame["t"].to_numpy()
    gaps = np.diff(time_s)
    gaps = gaps[gaps > 0]
    step_s = float(np.median(gaps)) if gaps.size else STEP_S
    if step_s < _FAST_SHARE * STEP_S:
        frame, step_s = _averaged(frame), STEP_S
    get = {c: frame[c].to_numpy().astype(float) for c in frame.columns if c != "samples"}
    time_s = get["t"]
    return Track(
        time_s=time_s,
        step_s=step_s,
        stretch=stretch_numbers(time_s),
        samples=frame["samples"].to_numpy().astype(np.int64),
        bsp_kn=get["bsp"],
        tws_kn=np.hypot(get["tx"], get["ty"]),
        twa_deg=half_turn(get["ty"], get["tx"]),
        twd_deg=wrap_360(np.degrees(np.arctan2(get["ds"], get["dc"]))),
        aws_kn=np.hypot(get["ax"], get["ay"]),
        awa_deg=half_turn(get["ay"], get["ax"]),
        hdg_deg=wrap_360(np.degrees(np.arctan2(get["hs"], get["hc"]))),
        ctw_deg=wrap_360(np.degrees(np.arctan2(get["ws"], get["wc"]))),
        heel_deg=get["heel"],
        rudder_deg=get["rudder"],
        sog_kn=get["sog"],
        cog_deg=wrap_360(np.degrees(np.arctan2(get["gs"], get["gc"]))),
        ground=get["ground"] > 0.5,
    )


def _numbers(samples: pl.DataFrame) -> pl.DataFrame:
    names = ("bsp_kn", "tws_kn", "twa_deg", "twd_deg", "aws_kn", "awa_deg", "hdg_deg", "ctw_deg", "heel_deg")
    names += CHANNELS_READ
    have = [pl.col(c).cast(pl.Float64) if c in samples.columns else pl.lit(None, pl.Float64).alias(c) for c in names]
    source = pl.col("speed_source") if "speed_source" in samples.columns else pl.lit(None, pl.String)
    frame = samples.select(
        *have,
        t=pl.col("time").cast(pl.Datetime("us")).to_physical() / _US,
        ground=(source.eq("ground").fill_null(False)).cast(pl.Float64),
    ).sort("t", maintain_order=True)
    twa, awa, twd, hdg = (pl.col(c).radians() for c in ("twa_deg", "awa_deg", "twd_deg", "hdg_deg"))
    ctw, cog = pl.col("ctw_deg").radians(), pl.col("cog").radians()
    tws, aws = pl.col("tws_kn"), pl.col("aws_kn")
    frame = frame.select(
        "t",
        bsp="bsp_kn",
        tx=tws * twa.cos(),
        ty=tws * twa.sin(),
        dc=twd.cos(),
        ds=twd.sin(),
        ax=aws * awa.cos(),
        ay=aws * awa.sin(),
        hc=hdg.cos(),
        hs=hdg.sin(),
        wc=ctw.cos(),
        ws=ctw.sin(),
        heel="heel_deg",
        rudder="rudder",
        sog="sog",
        gc=cog.cos(),
        gs=cog.sin(),
        ground="ground",
        samples=pl.lit(1, pl.Int64),
    )
    return frame.with_columns(pl.exclude("samples").fill_nan(None))


def _averaged(frame: pl.DataFrame) -> pl.DataFrame:
    step = (pl.col("t") / STEP_S).floor()
    means = [pl.col(c).mean() for c in frame.columns if c != "samples"]
    return frame.group_by(step.alias("step"), maintain_order=True).agg(*means, pl.col("samples").sum()).drop("step")

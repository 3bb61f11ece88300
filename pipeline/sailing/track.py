"""The samples of a season as arrays at no more than one a second: what manoeuvres and windows work on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.angles import Floats, degrees, half_turn, radians, wrap_360
from pipeline.sailing.smoothing import Smoothed
from pipeline.sailing.stretches import Flags, Ints, stretch_numbers

# Faster logs are averaged into steps of this length: nothing that a yacht does is quicker, and noise averages out.
STEP_S = 1.0
# A log counts as faster than the step only where most of its gaps are clearly shorter.
_FAST_SHARE = 0.7
SECONDS = 1e-6  # of a microsecond: times are compared, so all are made with the same factor
# Taken from the samples as they are.
CHANNELS_READ = ("rudder", "sog", "cog")
# And these of what the wind adds.
WIND_READ = ("bsp_kn", "twa_deg", "tws_kn", "twd_deg", "awa_deg", "aws_kn", "hdg_deg", "ctw_deg", "heel_deg")


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
    """`track_along` of samples with wind (columns of `WindOfSamples.samples`), brought into order of time."""
    if not samples["time"].is_sorted():
        samples = samples.sort("time", maintain_order=True)

    def values(name: str) -> Floats:
        if name not in samples.columns:
            return np.full(samples.height, np.nan)
        return samples[name].cast(pl.Float64).to_numpy()

    ground = np.zeros(samples.height, dtype=bool)
    if "speed_source" in samples.columns:
        ground = samples["speed_source"].eq("ground").fill_null(False).to_numpy()
    time_us = samples["time"].cast(pl.Datetime("us")).to_physical().to_numpy()
    return track_along(time_us, {name: values(name) for name in (*WIND_READ, *CHANNELS_READ)}, ground)


def track_along(time_us: Ints, channels: Mapping[str, Floats], ground: Flags) -> Track:
    """Track of samples with wind at ascending `time_us`, averaged where the log is faster than a step.

    `channels` holds those of `WIND_READ` and `CHANNELS_READ`; `ground`: speed over ground stands in for boat speed.
    Wind is averaged as vector, headings on the circle, the rest plainly; the time of a step is the mean of its samples.
    """
    get, count = _numbers(time_us, channels, ground), np.ones(len(time_us), dtype=np.int64)
    gaps = np.diff(get["t"])
    gaps = gaps[gaps > 0]
    step_s = float(np.median(gaps)) if gaps.size else STEP_S
    if step_s < _FAST_SHARE * STEP_S:
        (get, count), step_s = _averaged(get), STEP_S
    time_s = get["t"]
    return Track(
        time_s=time_s,
        step_s=step_s,
        stretch=stretch_numbers(time_s),
        samples=count,
        bsp_kn=get["bsp"],
        tws_kn=np.hypot(get["tx"], get["ty"]),
        twa_deg=half_turn(get["ty"], get["tx"]),
        twd_deg=wrap_360(degrees(np.arctan2(get["ds"], get["dc"]))),
        aws_kn=np.hypot(get["ax"], get["ay"]),
        awa_deg=half_turn(get["ay"], get["ax"]),
        hdg_deg=wrap_360(degrees(np.arctan2(get["hs"], get["hc"]))),
        ctw_deg=wrap_360(degrees(np.arctan2(get["ws"], get["wc"]))),
        heel_deg=get["heel"],
        rudder_deg=get["rudder"],
        sog_kn=get["sog"],
        cog_deg=wrap_360(degrees(np.arctan2(get["gs"], get["gc"]))),
        ground=get["ground"] > 0.5,
    )


def _numbers(time_us: Ints, channels: Mapping[str, Floats], ground: Flags) -> dict[str, Floats]:
    """Arrays by short names: wind as vectors, headings as points of the circle."""

    def vector(angle: str, size: Floats | float = 1.0) -> tuple[Floats, Floats]:
        rad = radians(channels[angle])
        return size * np.cos(rad), size * np.sin(rad)

    out = {"t": time_us * SECONDS, "bsp": channels["bsp_kn"]}
    out["tx"], out["ty"] = vector("twa_deg", channels["tws_kn"])
    out["dc"], out["ds"] = vector("twd_deg")
    out["ax"], out["ay"] = vector("awa_deg", channels["aws_kn"])
    out["hc"], out["hs"] = vector("hdg_deg")
    out["wc"], out["ws"] = vector("ctw_deg")
    out |= {"heel": channels["heel_deg"], **{name: channels[name] for name in CHANNELS_READ}}
    out["gc"], out["gs"] = vector("cog")
    return out | {"ground": ground.astype(float)}


def _averaged(numbers: dict[str, Floats]) -> tuple[dict[str, Floats], Ints]:
    """Means over the steps, and how many samples each has."""
    frame = pl.DataFrame([pl.Series(name, values, nan_to_null=True) for name, values in numbers.items()])
    step = (pl.col("t") / STEP_S).floor()
    means = frame.group_by(step.alias("step"), maintain_order=True).agg(
        *(pl.col(name).mean() for name in numbers), pl.len().cast(pl.Int64).alias("samples")
    )
    return {name: means[name].cast(pl.Float64).to_numpy() for name in numbers}, means["samples"].to_numpy()

"""What was sailed beyond the makers' wind limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.numbers import Numbers, plural
from pipeline.reporting.records.wording import named

MOST_STRETCHES = 40


@dataclass(frozen=True, slots=True)
class BeyondStretch:
    """A stretch sailed beyond a sail's limit; `aws_kn` the highest mean over 30 s."""

    start: datetime
    end: datetime
    sail_set: str
    sail: str
    aws_kn: float
    limit_kn: float
    minutes: float


@dataclass(frozen=True, slots=True)
class BeyondSail:
    """All stretches of one sail together."""

    sail: str
    stretches: int
    minutes: float
    aws_kn: float
    limit_kn: float


@dataclass(frozen=True, slots=True)
class BeyondLimits:
    """`sails` by minutes; `shown`: the stretches furthest beyond their limits; `more`: not shown; `stated`: sails of
    the boat that have a limit.
    """

    sails: tuple[BeyondSail, ...]
    shown: tuple[BeyondStretch, ...]
    more: int
    stated: int


def beyond_limits(tables: Mapping[str, pl.DataFrame], boat: Boat) -> BeyondLimits:
    """From the side table `beyond_limits`."""
    frame = tables["beyond_limits"]
    by_sail = (
        frame.group_by("sail")
        .agg(pl.len(), pl.col("minutes").sum(), pl.col("aws_max_kn").max(), pl.col("limit_kn").min())
        .sort("minutes", "sail", descending=[True, False])
    )
    furthest = frame.sort(pl.col("aws_max_kn") / pl.col("limit_kn"), "start", "sail", descending=[True, False, False])
    columns = ("start", "end", "sail_set", "sail", "aws_max_kn", "limit_kn", "minutes")
    return BeyondLimits(
        sails=tuple(BeyondSail(*row) for row in by_sail.iter_rows()),
        shown=tuple(BeyondStretch(*row) for row in furthest.select(columns).head(MOST_STRETCHES).iter_rows()),
        more=max(0, frame.height - MOST_STRETCHES),
        stated=sum(s.max_aws_kn is not None for s in boat.sails.values()),
    )


def beyond_words(found: BeyondLimits, numbers: Numbers) -> str:
    """For how long makers' limits were exceeded, and by which sails most."""
    if not found.stated:
        return "No sail has a maker's wind limit in boat.toml (max_aws_kn), so none can be marked as exceeded."
    if not found.sails:
        return f"No stretch was sailed beyond a maker's wind limit ({plural(found.stated, 'sail')} have one)."
    parts = ", ".join(f"{named(s.sail)} {numbers.duration(s.minutes)}" for s in found.sails[:3])
    every = sum(s.stretches for s in found.sails)
    return f"Beyond a maker's wind limit: {plural(every, 'stretch', 'stretches')}, most with {parts}."

"""What a decoder, of NMEA 0183 or of CSV, hands on: one log, decoded, every line accounted for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

REJECTED_SCHEMA: dict[str, pl.DataType] = {"line": pl.Int64(), "reason": pl.String(), "text": pl.String()}


@dataclass(frozen=True, slots=True)
class DecodedLog:
    """One log file, decoded.

    `readings`: by channel group (see `pipeline.channels.GROUPS`; a further transducer is a group of its own name), a
    frame with columns `time` (naive UTC, `Datetime("us")`, never null, ascending), `source` (talker and sentence such
    as `WIMWV`, or `csv`), and one `Float64` column a channel of the group (null where missing, values in house units,
    both channels never null in one row).
    `lines == used + passed_over + rejected lines`; `rejected` has one row a damaged line (columns of
    `REJECTED_SCHEMA`, text cut to 200 characters).
    `dated` is False where the log holds times of day but no date: times then count from 1970-01-01 and the caller adds
    the date.
    `counts`: what was noticed, reason -> number (a date 1,024 weeks off put right, time that went back, ...).
    """

    lines: int
    used: int
    passed_over: int
    rejected: pl.DataFrame
    readings: Mapping[str, pl.DataFrame]
    dated: bool
    counts: Mapping[str, int] = field(default_factory=dict)

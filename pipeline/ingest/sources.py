"""Which of several sensors to believe: one source a channel group, the others set aside and counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.channels import SENSOR_WORDS

# The sentence made for a quantity comes before one that carries it along; unlisted sentences come last.
SENTENCE_RANK: dict[str, tuple[tuple[str, ...], ...]] = {
    "position": (("GGA", "GNS"), ("RMC",), ("GLL",)),
    "ground": (("VTG",), ("RMC",)),
    "water_speed": (("VHW",), ("VBW",)),
    "heading_mag": (("HDG",), ("HDM",), ("VHW",)),
    "heading_true": (("HDT", "THS"), ("HDG",), ("VHW",)),
    "variation": (("HDG",), ("RMC",)),
    "apparent_wind": (("MWV", "VWR"),),
    "instrument_wind": (("MWV", "VWT"), ("MWD",), ("MDA",)),
    "wind_direction": (("MWD",), ("MDA",)),
    "rudder": (("RSA",), ("XDR",)),
    "rate_of_turn": (("ROT",), ("XDR",)),
    "depth": (("DPT",), ("DBT",), ("DBS", "DBK")),
    "water_temp": (("MTW",), ("XDR",), ("MDA",)),
    "air_temp": (("XDR",), ("MDA",)),
    "pressure": (("XDR",), ("MDA",)),
}
# A dedicated sentence that covers less than this share of what the best source covers does not come first by its rank.
LEAST_COVERAGE = 0.5
COVERAGE_BIN = "4s"


@dataclass(frozen=True, slots=True)
class Chosen:
    """The sources of one group: `order` are believed, the later where the earlier are silent; `aside` are not."""

    order: tuple[str, ...]
    aside: tuple[str, ...]
    readings: Mapping[str, int]
    talker_missing: str | None = None

    @property
    def first(self) -> str:
        """The source that is believed first."""
        return self.order[0]


def talker_of(source: str) -> str:
    """The talker of a source such as `WIMWV`: all but the three letters of the sentence; else the source itself."""
    return source[:-3] if len(source) > 3 and source[-3:].isalpha() and source[-3:].isupper() else source


def talkers_by_group(talkers: Mapping[str, str]) -> dict[str, str]:
    """`[channels.talkers]` by channel group; a group's own name wins over a word of the trade."""
    out: dict[str, str] = {}
    for word, groups in SENSOR_WORDS.items():
        if word in talkers:
            out.update(dict.fromkeys(groups, talkers[word]))
    out.update({k: v for k, v in talkers.items() if k not in SENSOR_WORDS})
    return out


def choose(group: str, frame: pl.DataFrame, channels: list[str], talker: str | None) -> Chosen:
    """The sources of `frame` (time, source, `channels`) in the order in which they are believed.

    A source of the talker named in the settings comes first; then the rank of its sentence, unless it covers under half
    of what another covers; then the busier; then the name. Further sentences of the same talker come from the same
    instrument and fill its silences; other talkers are set aside, except for channels that the chosen one never gives.
    """
    stats = _statistics(frame, channels)
    names = stats["source"].to_list()
    readings = dict(zip(names, stats["readings"].to_list(), strict=True))
    if len(names) == 1:
        missing = talker if talker and not _is_of(names[0], talker) else None
        return Chosen((names[0],), (), readings, missing)
    best = max(stats["coverage"])
    wanted = [n for n in names if talker and _is_of(n, talker)]

    def place(name: str) -> tuple[bool, int, int, str]:
        row = names.index(name)
        full = stats["coverage"][row] >= LEAST_COVERAGE * best
        rank = _rank(group, name) if full or name in wanted else 99
        return name not in wanted, rank, -stats["values"][row], name

    ranked = sorted(names, key=place)
    own = talker_of(ranked[0])
    given = set(_given(stats, ranked[0], channels))
    order, aside = [ranked[0]], []
    for name in ranked[1:]:
        new = set(_given(stats, name, channels)) - given
        if talker_of(name) == own or new:
            order.append(name)
            given |= new
        else:
            aside.append(name)
    return Chosen(tuple(order), tuple(aside), readings, talker if talker and not wanted else None)


def _statistics(frame: pl.DataFrame, channels: list[str]) -> pl.DataFrame:
    return (
        frame.group_by("source")
        .agg(
            readings=pl.len(),
            values=pl.sum_horizontal(pl.col(c).count() for c in channels),
            coverage=pl.col("time").dt.truncate(COVERAGE_BIN).n_unique(),
            **{f"has:{c}": pl.col(c).count() for c in channels},
        )
        .sort("source")
    )


def _given(stats: pl.DataFrame, name: str, channels: list[str]) -> list[str]:
    row = stats.row(by_predicate=pl.col("source") == name, named=True)
    return [c for c in channels if row[f"has:{c}"]]


def _rank(group: str, source: str) -> int:
    for rank, sentences in enumerate(SENTENCE_RANK.get(group, ())):
        if source[-3:] in sentences:
            return rank
    return 50


def _is_of(source: str, talker: str) -> bool:
    return source == talker or talker_of(source) == talker

"""Which of several sensors to believe: one source a channel group, the others set aside and counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.channels import SENSOR_WORDS
from pipeline.ingest.readings import Track

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
COVERAGE_BIN_US = 4_000_000


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


class SourceCount:
    """What one source gives, counted up chunk by chunk: readings, values by channel, and how much time they cover."""

    def __init__(self) -> None:
        """Nothing yet."""
        self.readings = 0
        self.values: dict[str, int] = {}
        self._spells: list[NDArray[np.int64]] = []

    def add(self, track: Track) -> None:
        """Count the readings of one track."""
        self.readings += len(track.time_us)
        for name, values in track.values.items():
            self.values[name] = self.values.get(name, 0) + len(values) - int(np.count_nonzero(np.isnan(values)))
        bins = track.time_us // COVERAGE_BIN_US
        step = bins[1:] - bins[:-1]
        apart = np.flatnonzero(step > 1)
        starts, ends = bins[np.append(0, apart + 1)], bins[np.append(apart, len(bins) - 1)]
        self._spells.append(np.stack([starts, ends], axis=1))

    @property
    def coverage(self) -> int:
        """How many bins of COVERAGE_BIN_US hold a reading."""
        spells = np.concatenate(self._spells)
        spells = spells[np.argsort(spells[:, 0], kind="stable")]
        reached = np.maximum.accumulate(spells[:, 1])
        first = np.maximum(spells[1:, 0], reached[:-1] + 1)
        return int(spells[0, 1] - spells[0, 0] + 1 + np.maximum(spells[1:, 1] - first + 1, 0).sum())


def choose(group: str, counted: Mapping[str, SourceCount], talker: str | None) -> Chosen:
    """The sources of a group in the order in which they are believed.

    A source of the talker named in the settings comes first; then the rank of its sentence, unless it covers under half
    of what another covers; then the busier; then the name. Further sentences of the same talker come from the same
    instrument and fill its silences; other talkers are set aside, except for channels that the chosen one never gives.
    """
    names = sorted(counted)
    readings = {name: counted[name].readings for name in names}
    if len(names) == 1:
        missing = talker if talker and not _is_of(names[0], talker) else None
        return Chosen((names[0],), (), readings, missing)
    coverage = {name: counted[name].coverage for name in names}
    best = max(coverage.values())
    wanted = [n for n in names if talker and _is_of(n, talker)]

    def place(name: str) -> tuple[bool, int, int, str]:
        full = coverage[name] >= LEAST_COVERAGE * best
        rank = _rank(group, name) if full or name in wanted else 99
        return name not in wanted, rank, -sum(counted[name].values.values()), name

    ranked = sorted(names, key=place)
    own = talker_of(ranked[0])
    given = _given(counted[ranked[0]])
    order, aside = [ranked[0]], []
    for name in ranked[1:]:
        new = _given(counted[name]) - given
        if talker_of(name) == own or new:
            order.append(name)
            given |= new
        else:
            aside.append(name)
    return Chosen(tuple(order), tuple(aside), readings, talker if talker and not wanted else None)


def _given(counted: SourceCount) -> set[str]:
    return {channel for channel, count in counted.values.items() if count}


def _rank(group: str, source: str) -> int:
    for rank, sentences in enumerate(SENTENCE_RANK.get(group, ())):
        if source[-3:] in sentences:
            return rank
    return 50


def _is_of(source: str, talker: str) -> bool:
    return source == talker or talker_of(source) == talker

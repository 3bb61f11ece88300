"""A campaign's settings as typed, frozen records. Filled by `boat_file`; every default of `boat.toml` stands here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

SailKind = Literal["mainsail", "headsail", "spinnaker"]

# Names that are not sail sets of a boat but states of the time line.
UNLOGGED = "unlogged"
UNKNOWN = "unknown"
MAIN_ALONE = "MAIN"
BARE = "BARE"


@dataclass(frozen=True, slots=True)
class SailVersion:
    """From `start` on the sail is another one (recut), leaning on its former self."""

    start: date
    note: str


@dataclass(frozen=True, slots=True)
class Sail:
    """One sail of the boat. `station` is where it tacks; one drawing sail to a station at a time."""

    code: str
    kind: SailKind
    station: str
    area_m2: float | None = None
    weight_kg: float | None = None
    max_aws_kn: float | None = None
    luff_m: float | None = None
    leech_m: float | None = None
    foot_m: float | None = None
    half_width_m: float | None = None
    perpendicular_m: float | None = None
    required: bool = False
    rating_delta: float = 0.0
    aliases: tuple[str, ...] = ()
    versions: tuple[SailVersion, ...] = ()


@dataclass(frozen=True, slots=True)
class SailSet:
    """A named combination raced as one. `sails` are codes in the order of `boat.toml`, the mainsail included."""

    name: str
    sails: tuple[str, ...]
    sheeted_to_outrigger: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Corrections:
    """One state of the calibration; None in a period or set means: not given here, the boat's own value holds."""

    boat_speed_factor: float | None = None
    heading_offset_deg: float | None = None
    awa_offset_deg: float | None = None
    aws_factor: float | None = None
    upwash_deg: float | None = None
    leeway_coefficient: float | None = None


DEFAULT_CORRECTIONS = Corrections(
    boat_speed_factor=1.0,
    heading_offset_deg=0.0,
    awa_offset_deg=0.0,
    aws_factor=1.0,
    upwash_deg=0.0,
    leeway_coefficient=8.0,
)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a person wrote under `[calibration]`: the boat's values, periods from a date on, and values for a set.

    The value in force at a time for a set: that of the set where given, else that of the latest period begun that gives
    it, else the boat's, else the default.
    """

    boat: Corrections = DEFAULT_CORRECTIONS
    periods: tuple[tuple[datetime, Corrections], ...] = ()  # naive UTC, ascending
    sets: Mapping[str, Corrections] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Instruments:
    """Where the sensors are and how their logs are to be dated."""

    wind_sensor_height_m: float
    reference_height_m: float = 10.0
    variation_deg: float | Literal["auto"] | None = None
    time_zone: str = "UTC"
    start_date: date | Mapping[str, date] | None = None


@dataclass(frozen=True, slots=True)
class DesignBasis:
    """How the designer meant his wind. `given` is False where `[design]` is absent (comparison is then provisional)."""

    height_m: float = 10.0
    twa_from: Literal["course", "heading"] = "course"
    given: bool = False


@dataclass(frozen=True, slots=True)
class Displays:
    """What the crew's displays show."""

    wind_height_m: float | None = None
    corrected: bool = False
    twa_from: Literal["course", "heading"] = "heading"


@dataclass(frozen=True, slots=True)
class Rules:
    """Limits of class and owner."""

    outrigger_only_inside_headsail: bool = False
    max_sails_aboard: int | None = None
    max_sail_weight_kg: float | None = None


@dataclass(frozen=True, slots=True)
class CsvColumn:
    """Where one channel stands in a CSV log, and its unit there (None: the house unit of the channel)."""

    channel: str
    column: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How to read one kind of CSV log. Without columns, headings are taken as channel names.

    An empty `delimiter` is told from the heading of each file.
    """

    files: str = "*.csv"
    delimiter: str = ""
    decimal: str = "."
    units_row: bool = False
    time_format: str = "auto"
    columns: tuple[CsvColumn, ...] = ()


@dataclass(frozen=True, slots=True)
class Channels:
    """XDR transducer names and which of two sensors to believe (keys of `talkers`: groups of `pipeline.channels`)."""

    transducers: Mapping[str, str] = field(default_factory=dict)
    talkers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Boat:
    """All of `boat.toml`."""

    name: str
    loa_m: float
    instruments: Instruments
    lwl_m: float | None = None
    calibration: Calibration = field(default_factory=Calibration)
    design: DesignBasis = field(default_factory=DesignBasis)
    displays: Displays = field(default_factory=Displays)
    sails: Mapping[str, Sail] = field(default_factory=dict)  # in the order of boat.toml
    sail_sets: tuple[SailSet, ...] = ()
    rules: Rules = field(default_factory=Rules)
    channels: Channels = field(default_factory=Channels)
    csv: tuple[CsvLayout, ...] = (CsvLayout(),)
    extra: Mapping[str, Any] = field(default_factory=dict)
    # Code of the first mainsail, None for a boat that declares none: asked for at every entry of the sail log.
    mainsail: str | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Find the mainsail."""
        mainsail = next((s.code for s in self.sails.values() if s.kind == "mainsail"), None)
        object.__setattr__(self, "mainsail", mainsail)

"""Proposals on paper: the calibration as it would stand in `boat.toml`, as a record and as text to paste.

Nothing here is ever applied by itself: a person copies the text, or does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime

from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Calibration, Corrections

PARAMETERS: tuple[str, ...] = tuple(f.name for f in fields(Corrections))
UNITS: Mapping[str, str] = {
    "boat_speed_factor": "",
    "heading_offset_deg": "deg",
    "awa_offset_deg": "deg",
    "aws_factor": "",
    "upwash_deg": "deg",
    "leeway_coefficient": "",
}
# Digits worth writing: finer than any interval reached.
DECIMALS: Mapping[str, int] = {
    "boat_speed_factor": 3,
    "heading_offset_deg": 1,
    "awa_offset_deg": 1,
    "aws_factor": 3,
    "upwash_deg": 1,
    "leeway_coefficient": 1,
}
NO_CHANGE = "no change needed"
PROPOSED = "proposed"
CANNOT_SAY = "the data cannot say"


@dataclass(frozen=True, slots=True)
class Proposal:
    """What should stand in `boat.toml` for one parameter, for a set where `sail_set` is given, over `start` to `end`.

    `start`, `end` (naive UTC): None where it holds from the beginning, or to the end, of the season. `proposed`, `low`,
    `high` (90 % interval) are None where the data cannot say; `evidence` says what they rest on, or why not.
    """

    parameter: str
    sail_set: str | None
    start: datetime | None
    end: datetime | None
    in_use: float
    proposed: float | None
    low: float | None
    high: float | None
    evidence: str = ""

    @property
    def verdict(self) -> str:
        """Whether the value in use lies inside the interval, outside it, or nothing can be said."""
        if self.proposed is None or self.low is None or self.high is None:
            return CANNOT_SAY
        return NO_CHANGE if self.low <= self.in_use <= self.high else PROPOSED

    @property
    def rounded(self) -> float:
        """The proposal as it is written; the value in use where the data cannot say."""
        return self.in_use if self.proposed is None else round(self.proposed, DECIMALS[self.parameter]) + 0.0

    @property
    def on_paper(self) -> float:
        """The value once proposals are accepted: rounded where it is changed, as in use where not."""
        return self.rounded if self.verdict == PROPOSED else self.in_use


@dataclass
class _Steps:
    """One parameter of the boat through time."""

    values: dict[datetime | None, float] = field(default_factory=dict)

    def steps(self) -> list[tuple[datetime | None, float]]:
        """Beginning and value, ascending, equal neighbours joined."""
        out: list[tuple[datetime | None, float]] = []
        for start in sorted(self.values, key=lambda s: (s is not None, s or datetime.min)):
            if not out or out[-1][1] != self.values[start]:
                out.append((start, self.values[start]))
        return out


def on_paper(calibration: Calibration, proposals: Iterable[Proposal]) -> Calibration:
    """The calibration with every proposal accepted whose interval excludes the value in use; the rest as it is.

    Where a parameter is proposed by sail set, its values are one estimate, drawn to each other: if one of them is
    needed all are accepted, those too whose own interval holds the value in use. For each parameter and set the
    proposals must cover the season without overlap, as `season.calibrate` leaves them.
    """
    rows = list(proposals)
    for p in rows:
        if p.parameter not in PARAMETERS:
            raise ValueError(f"boat.toml has no calibration parameter '{p.parameter}'")
    by_set = {p.parameter for p in rows if p.sail_set is not None}
    together = {p.parameter for p in rows if p.parameter in by_set and p.verdict == PROPOSED}
    boat: dict[str, _Steps] = {}
    sets = dict(calibration.sets)
    for p in rows:
        whole = p.parameter in together and p.verdict != CANNOT_SAY
        if p.sail_set is None:
            boat.setdefault(p.parameter, _Steps()).values[p.start] = p.rounded if whole else p.on_paper
        elif whole:
            sets[p.sail_set] = replace(sets.get(p.sail_set, Corrections()), **{p.parameter: p.rounded})
    return _assembled(calibration, {k: v.steps() for k, v in boat.items()}, sets)


def _assembled(
    calibration: Calibration,
    boat: Mapping[str, Sequence[tuple[datetime | None, float]]],
    sets: Mapping[str, Corrections],
) -> Calibration:
    base = calibration.boat
    periods = dict(calibration.periods)
    for parameter, steps in boat.items():
        periods = {start: replace(c, **{parameter: None}) for start, c in periods.items()}
        for start, value in steps:
            if start is None:
                base = replace(base, **{parameter: value})
            else:
                periods[start] = replace(periods.get(start, Corrections()), **{parameter: value})
    kept = sorted((start, c) for start, c in periods.items() if c != Corrections())
    return Calibration(base, tuple(kept), dict(sets))


def calibration_toml(calibration: Calibration, notes: Mapping[str, str] | None = None) -> str:
    """The `[calibration]` tables of `boat.toml`, ready to paste; `notes` by parameter become comments behind its value.

    Values equal to the default are written too, so that the text says the whole state. Reading it back gives the same
    calibration.
    """
    said = notes or {}
    lines = ["[calibration]"]
    for name in PARAMETERS:
        value = getattr(calibration.boat, name)
        value = getattr(DEFAULT_CORRECTIONS, name) if value is None else value
        lines.append(f"{name} = {_number(value)}" + (f"  # {_one_line(said[name])}" if name in said else ""))
    for start, corrections in calibration.periods:
        lines += ["", "[[calibration.periods]]", f"from = {_moment(start)}", *_given(corrections)]
    for name, corrections in sorted(calibration.sets.items()):
        if corrections != Corrections():
            lines += ["", f"[calibration.sets.{_key(name)}]", *_given(corrections)]
    return "\n".join(lines) + "\n"


def _given(corrections: Corrections) -> list[str]:
    values = ((name, getattr(corrections, name)) for name in PARAMETERS)
    return [f"{name} = {_number(value)}" for name, value in values if value is not None]


def _number(value: float) -> str:
    text = repr(float(value))
    return text if any(c in text for c in ".en") else f"{text}.0"


def _moment(start: datetime) -> str:
    """An RFC 3339 date-time: a bare date would begin at midnight of the boat's own zone."""
    return start.replace(tzinfo=UTC).isoformat().replace("+00:00", "Z")


def _key(name: str) -> str:
    """A quoted TOML key: basic string with its escapes (TOML 1.0)."""
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if ord(c) >= 0x20 and ord(c) != 0x7F else f"\\u{ord(c):04x}" for c in escaped) + '"'


def _one_line(text: str) -> str:
    return " ".join(text.split())

"""The calibration page: values in use and proposed, what they rest on, drift, the season before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from pipeline.calibration.calibration_rows import proposals_from
from pipeline.calibration.proposals import CANNOT_SAY, DECIMALS, NO_CHANGE, PROPOSED, calibration_toml, on_paper
from pipeline.campaign.settings import Boat
from pipeline.reporting.numbers import Numbers, plural

# parameter -> what it is called, unit behind a number
NAMES: Mapping[str, tuple[str, str]] = {
    "boat_speed_factor": ("Boat-speed factor", ""),
    "heading_offset_deg": ("Heading offset", "°"),
    "awa_offset_deg": ("AWA offset", "°"),
    "aws_factor": ("AWS factor", ""),
    "upwash_deg": ("Upwash", "°"),
    "leeway_coefficient": ("Leeway coefficient", ""),
    "boat_speed_factor_starboard": ("Boat-speed factor, wind from starboard", ""),
    "boat_speed_factor_port": ("Boat-speed factor, wind from port", ""),
    "boat_speed_slope": ("Change of the factor with each knot", ""),
    "deviation_sin_deg": ("Deviation, sin(heading)", "°"),
    "deviation_cos_deg": ("Deviation, cos(heading)", "°"),
    "deviation_sin2_deg": ("Deviation, sin(2 × heading)", "°"),
    "deviation_cos2_deg": ("Deviation, cos(2 × heading)", "°"),
}
WORST: Mapping[str, str] = {
    "twd_step_tacks_deg": "wind direction at tacks",
    "twd_step_gybes_deg": "wind direction at gybes",
    "tws_down_over_up_pct": "wind speed upwind and downwind",
    "speed_error_pct": "speed against the ground",
    "heading_error_deg": "heading against the ground",
    "track_over_sog_pct": "positions against logged speed over ground",
}
MOST_DAYS = 60
# Sail sets named in the answer.
MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class Value:
    """One row of the calibration: a parameter of the boat or of one set, for the season or for a period of it."""

    parameter: str
    sail_set: str | None
    start: datetime | None
    end: datetime | None
    in_use: float
    proposed: float | None
    low: float | None
    high: float | None
    verdict: str
    evidence: str
    moves_upwind: tuple[float | None, float | None]
    moves_downwind: tuple[float | None, float | None]

    @property
    def name(self) -> str:
        """What the parameter is called."""
        return NAMES[self.parameter][0]

    @property
    def unit(self) -> str:
        """Sign behind a number."""
        return NAMES[self.parameter][1]

    @property
    def decimals(self) -> int:
        """Decimals worth printing."""
        return DECIMALS[self.parameter]


@dataclass(frozen=True, slots=True)
class Detail:
    """A quantity that `boat.toml` has no key for."""

    name: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    decimals: int
    evidence: str


@dataclass(frozen=True, slots=True)
class Change:
    """A step or trend in mid-season."""

    parameter: str
    name: str
    unit: str
    decimals: int
    kind: str
    first: date
    last: date | None
    earliest: date
    latest: date
    size: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class DayValue:
    """What one day by itself would have put into `boat.toml`."""

    day: date
    estimate: float
    sd: float


@dataclass(frozen=True, slots=True)
class Series:
    """Days of one parameter, the values of the boat's rows beside them."""

    parameter: str
    name: str
    unit: str
    days: tuple[DayValue, ...]
    values: tuple[Value, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Day:
    """Signs of one day's plausibility; None where the day cannot say."""

    day: date
    score: float | None
    worst: str
    tacks: int
    twd_tacks_deg: float | None
    gybes: int
    twd_gybes_deg: float | None
    pairs: int
    tws_pct: float | None
    speed_pct: float | None
    heading_deg: float | None
    track_pct: float | None


@dataclass(frozen=True, slots=True)
class Effect:
    """One sign of the whole season with the calibration in use and with the proposals on paper."""

    measure: str
    unit: str
    before: float | None
    after: float | None
    count: int


@dataclass(frozen=True, slots=True)
class CalibrationPage:
    """Everything the page shows. `text`: the tables of `boat.toml` with the proposals; `proposes`: it differs."""

    values: tuple[Value, ...]
    details: tuple[Detail, ...]
    remarks: tuple[str, ...]
    changes: tuple[Change, ...]
    series: tuple[Series, ...]
    days: tuple[Day, ...]
    days_in_all: int
    effects: tuple[Effect, ...]
    text: str
    proposes: bool
    current_median_kn: float | None
    current_most_kn: float | None

    @property
    def grounds(self) -> tuple[tuple[tuple[str, ...], str], ...]:
        """What the boat's rows rest on: names that share it, and the evidence."""
        shared: dict[str, list[str]] = {}
        for v in self.boat_values:
            name = v.name if v.start is None and v.end is None else f"{v.name}, {period(v)}"
            shared.setdefault(v.evidence, []).append(name)
        return tuple((tuple(names), evidence) for evidence, names in shared.items())

    @property
    def silent_sets(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Parameters of which the data cannot say anything for single sets, and those sets."""
        shared: dict[str, list[str]] = {}
        for v in self.set_values:
            if v.verdict == CANNOT_SAY and v.sail_set is not None:
                shared.setdefault(v.name, []).append(v.sail_set)
        return tuple((name, tuple(sets)) for name, sets in shared.items())

    @property
    def boat_values(self) -> tuple[Value, ...]:
        """Rows of the boat, not of a set."""
        return tuple(v for v in self.values if v.sail_set is None)

    @property
    def set_values(self) -> tuple[Value, ...]:
        """Rows of single sets."""
        return tuple(v for v in self.values if v.sail_set is not None)


def period(value: Value) -> str:
    """From when until when a row holds, in words; dates alone where it begins at midnight."""
    said = []
    if value.start is None and value.end is not None:
        said.append("from the beginning")
    if value.start is not None:
        said.append(f"from {_day_or_moment(value.start)}")
    if value.end is not None:
        said.append(f"until {_day_or_moment(value.end)}")
    return " ".join(said)


def _day_or_moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d}" if (at.hour, at.minute, at.second) == (0, 0, 0) else f"{at:%Y-%m-%d %H:%M}"


def calibration_page(tables: Mapping[str, pl.DataFrame], boat: Boat) -> CalibrationPage:
    """The page from the tables `calibration` and its companions, `current` and `plausibility`; any may be empty."""
    values = tuple(_value(r) for r in tables["calibration"].iter_rows(named=True))
    changes = tuple(_change(r) for r in tables["calibration_drift"].iter_rows(named=True))
    proposals = proposals_from(tables["calibration"])
    paper = on_paper(boat.calibration, proposals) if proposals else boat.calibration
    drift = tables["current"]["drift_kn"].drop_nulls()
    plausible = tables["plausibility"]
    details = tables["calibration_details"]
    remark = pl.col("parameter").str.starts_with("told apart")
    return CalibrationPage(
        values=values,
        details=tuple(_detail(r) for r in details.filter(~remark).iter_rows(named=True)),
        remarks=tuple(details.filter(remark)["evidence"].drop_nulls().to_list()),
        changes=changes,
        series=_series(tables["calibration_days"], values, changes),
        days=tuple(_day(r) for r in plausible.head(MOST_DAYS).iter_rows(named=True)),
        days_in_all=plausible.height,
        effects=tuple(
            Effect(r["measure"], r["unit"], r["before"], r["after"], r["count"])
            for r in tables["calibration_effect"].iter_rows(named=True)
            if r["count"]
        ),
        text=calibration_toml(paper),
        proposes=paper != boat.calibration,
        current_median_kn=float(drift.median()) if len(drift) else None,  # type: ignore[arg-type]
        current_most_kn=float(drift.quantile(0.95)) if len(drift) else None,  # type: ignore[arg-type]
    )


def calibration_answer(page: CalibrationPage, numbers: Numbers) -> tuple[str, ...]:
    """The page's first sentences."""
    if not page.values:
        return ("The calibration was not estimated in this run.",)
    wanted = [v for v in page.boat_values if v.verdict == PROPOSED]
    names = list(dict.fromkeys(v.name for v in wanted))
    said = []
    if wanted or any(v.verdict == PROPOSED for v in page.set_values):
        listed = "; ".join(_wanted(v, numbers) for v in wanted if v.start is None and v.end is None)
        periods = [n for n in names if any(v.name == n and (v.start or v.end) for v in wanted)]
        parts = [listed] if listed else []
        parts += [f"{n} by period" for n in periods]
        of_sets = [v for v in page.set_values if v.verdict == PROPOSED]
        named = list(dict.fromkeys(str(v.sail_set) for v in of_sets))
        more = f" and {plural(len(named) - MOST_NAMED, 'more set', 'more sets')}" if len(named) > MOST_NAMED else ""
        parts += [f"own values for {', '.join(named[:MOST_NAMED])}{more}"] if named else []
        said.append(f"Proposed to change: {'; '.join(parts)}.")
    else:
        said.append("No change of the calibration is needed: every interval holds the value in use.")
    for c in page.changes:
        size = numbers.signed(c.size, c.decimals) + c.unit
        when = f"on {c.first:%-d %B %Y}" if c.kind == "step" else f"from {c.first:%-d %B} to {c.last:%-d %B %Y}"
        verb = "stepped by" if c.kind == "step" else "drifted by"
        said.append(f"{c.name} {verb} {size} {when}.")
    silent = list(dict.fromkeys(v.name for v in page.boat_values if v.verdict == CANNOT_SAY))
    if silent:
        said.append(f"The data cannot say: {', '.join(silent)}.")
    kept = list(dict.fromkeys(v.name for v in page.boat_values if v.verdict == NO_CHANGE and v.name not in names))
    if wanted and kept:
        said.append(f"No change needed: {', '.join(kept)}.")
    said.append("Nothing of this is applied. To use it, a person copies the text below into boat.toml.")
    return tuple(said)


def _wanted(v: Value, numbers: Numbers) -> str:
    to, was = (numbers.plain(x, v.decimals) + v.unit for x in (v.proposed, v.in_use))
    return f"{v.name} {was} to {to}"


def _value(r: Mapping[str, object]) -> Value:
    return Value(
        r["parameter"], r["sail_set"], r["from"], r["until"], r["in_use"], r["proposed"], r["proposed_low"],
        r["proposed_high"], r["verdict"], r["evidence"] or "",
        (r["moves_twa_deg_upwind"], r["moves_tws_kn_upwind"]),
        (r["moves_twa_deg_downwind"], r["moves_tws_kn_downwind"]),
    )  # type: ignore[arg-type]  # fmt: skip


def _detail(r: Mapping[str, object]) -> Detail:
    plain = str(r["parameter"])
    name, unit = NAMES.get(plain, (plain[:1].upper() + plain[1:], f" {r['unit']}" if r["unit"] else ""))
    decimals = 1 if unit == " s" else 2 if unit == "°" else 4 if "slope" in plain else 3
    return Detail(name, unit, r["value"], r["low"], r["high"], decimals, r["evidence"] or "")  # type: ignore[arg-type]


def _change(r: Mapping[str, object]) -> Change:
    parameter = str(r["parameter"])
    keys = ("kind", "first", "last", "earliest", "latest", "size", "size_low", "size_high")
    return Change(parameter, *NAMES[parameter], DECIMALS[parameter], *(r[k] for k in keys))  # type: ignore[arg-type]


def _series(days: pl.DataFrame, values: tuple[Value, ...], changes: tuple[Change, ...]) -> tuple[Series, ...]:
    out = []
    for parameter, (name, unit) in NAMES.items():
        rows = days.filter((pl.col("parameter") == parameter) & pl.col("estimate").is_finite()).sort("day")
        if rows.is_empty():
            continue
        out.append(
            Series(
                parameter,
                name,
                unit,
                tuple(DayValue(*r) for r in rows.select("day", "estimate", "sd").iter_rows()),
                tuple(v for v in values if v.parameter == parameter and v.sail_set is None),
                tuple(c for c in changes if c.parameter == parameter),
            )
        )
    return tuple(out)


def _day(r: Mapping[str, object]) -> Day:
    keys = ("tacks", "twd_step_tacks_deg", "gybes", "twd_step_gybes_deg", "up_down_pairs", "tws_down_over_up_pct")
    more = ("speed_error_pct", "heading_error_deg", "track_over_sog_pct")
    worst = WORST.get(str(r["worst"]), "—")
    return Day(r["day"], r["score"], worst, *(r[k] for k in (*keys, *more)))  # type: ignore[arg-type]

"""Design against reality beside the borders: areas that grew or shrank, speeds against the prediction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

VERDICTS = ("shrank", "grew", "as designed", "undecided", "untested")


@dataclass(frozen=True, slots=True)
class AreaChange:
    """Hours of the conditions in one set's area, designed and measured, where the data can judge."""

    sail_set: str
    designed_h: float
    tested_h: float
    measured_h: float
    change_h: float | None
    low_h: float | None
    high_h: float | None
    gained_from: tuple[str, ...]
    lost_to: tuple[str, ...]
    verdict: str


@dataclass(frozen=True, slots=True)
class SpeedPlace:
    """Where a set differs most from the prediction, per cent of it with its interval."""

    tws_kn: float
    twa_deg: float
    difference_pct: float
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class SetAgainstPrediction:
    """One set: places of the chart faster, as predicted and slower; median and largest sure difference, in per cent."""

    sail_set: str
    faster: int
    as_predicted: int
    slower: int
    median_pct: float
    largest: SpeedPlace | None

    @property
    def places(self) -> int:
        """All places compared."""
        return self.faster + self.as_predicted + self.slower


@dataclass(frozen=True, slots=True)
class Prediction:
    """`provisional`: `boat.toml` does not say what wind the designer meant."""

    sets: tuple[SetAgainstPrediction, ...]
    provisional: bool


def area_changes(tables: Mapping[str, pl.DataFrame]) -> tuple[AreaChange, ...]:
    """From `area_changes`: the largest changes first, undecided ones below."""
    rows = [
        AreaChange(
            sail_set=r["sail_set"],
            designed_h=r["hours_designed"],
            tested_h=r["hours_tested"],
            measured_h=r["hours_measured"],
            change_h=r["change_hours"],
            low_h=r["change_low"],
            high_h=r["change_high"],
            gained_from=tuple((r["gained_from"] or "").split()),
            lost_to=tuple((r["lost_to"] or "").split()),
            verdict=r["verdict"],
        )
        for r in tables["area_changes"].iter_rows(named=True)
    ]

    def order(a: AreaChange) -> tuple[bool, bool, float, str]:
        return a.verdict == "untested", a.verdict == "as designed", -abs(a.change_h or 0.0), a.sail_set

    return tuple(sorted(rows, key=order))


def prediction(tables: Mapping[str, pl.DataFrame]) -> Prediction:
    """From `speed_comparison`, a line a set, the one that falls furthest short first."""
    frame = tables["speed_comparison"]
    sets = []
    for (name,), rows in frame.sort("sail_set", "tws_kn", "twa_deg").group_by("sail_set", maintain_order=True):
        counts = dict(rows.group_by("verdict").len().iter_rows())
        sure = rows.filter(pl.col("verdict") != "as predicted").sort(
            pl.col("difference_pct").abs(), descending=True, maintain_order=True
        )
        places = sure.select("tws_kn", "twa_deg", "difference_pct", "low_pct", "high_pct")
        sets.append(
            SetAgainstPrediction(
                sail_set=str(name),
                faster=counts.get("faster", 0),
                as_predicted=counts.get("as predicted", 0),
                slower=counts.get("slower", 0),
                median_pct=float(rows["difference_pct"].median()),  # type: ignore[arg-type]
                largest=SpeedPlace(*places.row(0)) if places.height else None,
            )
        )
    return Prediction(tuple(sorted(sets, key=lambda s: (s.median_pct, s.sail_set))), bool(frame["provisional"].any()))

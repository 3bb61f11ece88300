"""Room on the chart: sets that make a neighbour unnecessary, gaps that no set fills, sets that break a rule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.decisions.chart_gaps import HOLLOW, NO_SET_DESIGNED, NO_SET_KNOWN
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.wording import named

MOST_OVERLAPS, MOST_GAPS, MOST_BREAKS = 30, 8, 40
GAP_KINDS = (
    (HOLLOW, "Two angles in turn are faster than the straight course: room for a set between"),
    (NO_SET_KNOWN, "Sailed, but no set is known there: a gap in the data first of all"),
    (NO_SET_DESIGNED, "In no set's designed area"),
)


@dataclass(frozen=True, slots=True)
class Overlap:
    """What flying `sail_set` on costs where its neighbour is the fastest; per cent of the neighbour's speed."""

    sail_set: str
    neighbour: str
    hours: float
    share_known: float
    loss_pct: float
    low_pct: float
    high_pct: float
    loss_s: float
    worst_pct: float
    worst_tws_kn: float
    worst_twa_deg: float
    frees: tuple[str, ...]
    verdict: str


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap; depth of a hollow in per cent with its interval, where it is deepest."""

    tws_low_kn: float
    tws_high_kn: float
    twa_low_deg: float
    twa_high_deg: float
    hours: float
    sets: tuple[str, ...]
    depth_pct: float | None
    low_pct: float | None
    high_pct: float | None


@dataclass(frozen=True, slots=True)
class GapKind:
    """The largest gaps of one kind, and hours and number of all."""

    kind: str
    said: str
    gaps: tuple[Gap, ...]
    number: int
    hours: float


@dataclass(frozen=True, slots=True)
class RuleBreak:
    """A set that breaks a rule, and for how long it was flown."""

    sail_set: str
    rule: str
    sails: tuple[str, ...]
    what: str
    minutes: float


@dataclass(frozen=True, slots=True)
class ChartRoom:
    """`overlaps`: unnecessary neighbours first; `more_overlaps`, `more_breaks`: not shown."""

    overlaps: tuple[Overlap, ...]
    more_overlaps: int
    gaps: tuple[GapKind, ...]
    breaks: tuple[RuleBreak, ...]
    more_breaks: int


def chart_room(tables: Mapping[str, pl.DataFrame]) -> ChartRoom:
    """From `set_overlap`, `chart_gaps` and `rule_breaks`."""
    order = {"unnecessary": 0, "open": 1, "needed": 2}
    overlaps = sorted(
        (_overlap(r) for r in tables["set_overlap"].iter_rows(named=True)),
        key=lambda o: (order.get(o.verdict, 3), o.loss_pct, o.sail_set, o.neighbour),
    )
    breaks = tables["rule_breaks"].sort("minutes", "sail_set", "rule", descending=[True, False, False])
    return ChartRoom(
        overlaps=tuple(overlaps[:MOST_OVERLAPS]),
        more_overlaps=max(0, len(overlaps) - MOST_OVERLAPS),
        gaps=tuple(g for kind, said in GAP_KINDS if (g := _gaps(tables["chart_gaps"], kind, said)).number),
        breaks=tuple(
            RuleBreak(r["sail_set"], r["rule"], tuple((r["sails"] or "").split()), r["what"], r["minutes"])
            for r in breaks.head(MOST_BREAKS).iter_rows(named=True)
        ),
        more_breaks=max(0, breaks.height - MOST_BREAKS),
    )


def _overlap(r: Mapping[str, object]) -> Overlap:
    columns = ("sail_set", "neighbour", "hours", "share_known", "loss_pct", "worst_pct", "worst_tws_kn")
    return Overlap(
        **{c: r[c] for c in columns},  # type: ignore[arg-type]
        worst_twa_deg=r["worst_twa_deg"],  # type: ignore[arg-type]
        low_pct=r["loss_low_pct"],  # type: ignore[arg-type]
        high_pct=r["loss_high_pct"],  # type: ignore[arg-type]
        loss_s=r["loss_s_per_nm"],  # type: ignore[arg-type]
        frees=tuple(str(r["frees"] or "").split()),
        verdict=str(r["verdict"]),
    )


def _gaps(frame: pl.DataFrame, kind: str, said: str) -> GapKind:
    mine = frame.filter(pl.col("kind") == kind).sort(
        "hours", "tws_low_kn", "twa_low_deg", descending=[True, False, False]
    )
    gaps = tuple(
        Gap(
            r["tws_low_kn"],
            r["tws_high_kn"],
            r["twa_low_deg"],
            r["twa_high_deg"],
            r["hours"],
            tuple((r["sets"] or "").split()),
            r["depth_pct"],
            r["depth_low_pct"],
            r["depth_high_pct"],
        )
        for r in mine.head(MOST_GAPS).iter_rows(named=True)
    )
    return GapKind(kind, said, gaps, mine.height, float(mine["hours"].sum() or 0.0))


def overlap_answer(found: ChartRoom, numbers: Numbers) -> tuple[str, ...]:
    """Neighbours found unnecessary, in a sentence; () where there is none."""
    spare = [o for o in found.overlaps if o.verdict == "unnecessary"]
    return tuple(
        f"{named(o.sail_set)} makes {named(o.neighbour)} unnecessary: flown on in its place it loses "
        f"{numbers.plain(o.loss_pct, 1)} % ({numbers.span(o.low_pct, o.high_pct, 1)}) over "
        f"{numbers.plain(o.hours, 1)} h."
        for o in spare[:2]
    )

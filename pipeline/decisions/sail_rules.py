"""The trade rules that the tool knows, applied to the sails declared and to the sets declared and flown.

Spinnaker or headsail by the Equipment Rules of Sailing; areas from dimensions; sets that break a rule of `[rules]` or
that no rig can carry.
"""

from __future__ import annotations

from collections import Counter

import polars as pl

from pipeline.campaign.boat_file import outrigger_breaches
from pipeline.campaign.sail_measurements import ERS_SPINNAKER_HALF_WIDTH, area_from, kind_by_ers, sail_area_m2
from pipeline.campaign.sail_sets import reefs_of, sails_of
from pipeline.campaign.settings import Boat, Sail

KINDS_SCHEMA: dict[str, pl.DataType] = {
    "sail": pl.String(),
    "declared": pl.String(),
    "by_rule": pl.String(),
    "half_width_share": pl.Float64(),
    "rule": pl.String(),
    "area_m2": pl.Float64(),
    "area_from": pl.String(),
}
BREAKS_SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "rule": pl.String(),
    "sails": pl.String(),
    "what": pl.String(),
    "minutes": pl.Float64(),
}
OUTRIGGER, ONE_TO_A_STATION, KIND = "outrigger_only_inside_headsail", "one sail to a station", "kind by dimensions"


def sail_kinds(boat: Boat) -> pl.DataFrame:
    """Every sail: `sail, declared, by_rule, half_width_share, rule, area_m2, area_from`, in the order of `boat.toml`.

    `by_rule` and what belongs to it are blank for mainsails and where half width or foot is not given; `area_from`
    says `boat.toml` or the formula.
    """
    return pl.DataFrame([_kind_row(s) for s in boat.sails.values()], schema=KINDS_SCHEMA, orient="row")


def _kind_row(sail: Sail) -> dict[str, object]:
    ruled = None
    if sail.kind != "mainsail" and sail.half_width_m is not None and sail.foot_m is not None:
        ruled = kind_by_ers(sail.half_width_m, sail.foot_m)
    return {
        "sail": sail.code,
        "declared": sail.kind,
        "by_rule": None if ruled is None else ruled.kind,
        "half_width_share": None if ruled is None else ruled.half_width_share,
        "rule": None if ruled is None else ruled.rule,
        "area_m2": sail_area_m2(sail),
        "area_from": area_from(sail),
    }


def rule_breaks(boat: Boat, segments: pl.DataFrame) -> pl.DataFrame:
    """Sets declared or flown that break a rule: `sail_set, rule, sails, what, minutes` (minutes flown, reefs included).

    A rule is one of `[rules]`, "one sail to a station", or "kind by dimensions" for sets with a sail whose dimensions
    contradict its declared kind.
    """
    minutes = _minutes_flown(boat, segments)
    sets = list(dict.fromkeys([*(s.name for s in boat.sail_sets), *minutes]))
    rows = []
    for name in sets:
        codes = sails_of(name, boat) or ()
        for rule, sails, what in _breaks(name, codes, boat):
            rows.append((name, rule, " ".join(sails), what, minutes.get(name, 0.0)))
    return pl.DataFrame(rows, schema=BREAKS_SCHEMA, orient="row")


def _breaks(name: str, codes: tuple[str, ...], boat: Boat) -> list[tuple[str, list[str], str]]:
    out: list[tuple[str, list[str], str]] = []
    sails = [boat.sails[c] for c in codes]
    if name in outrigger_breaches(boat):
        sheeted = next(list(s.sheeted_to_outrigger) for s in boat.sail_sets if s.name == name)
        outer = " ".join(s.code for s in sails if s.kind == "spinnaker")
        out.append((OUTRIGGER, sheeted, f"sheets {' '.join(sheeted)} to an outrigger inside the spinnaker {outer}"))
    for station, count in Counter(s.station for s in sails).items():
        if count > 1:
            there = [s.code for s in sails if s.station == station]
            out.append((ONE_TO_A_STATION, there, f"has {count} sails on the station '{station}'"))
    for sail in sails:
        row = _kind_row(sail)
        if row["by_rule"] is not None and row["by_rule"] != sail.kind:
            share = 100.0 * float(str(row["half_width_share"]))
            limit = 100.0 * ERS_SPINNAKER_HALF_WIDTH
            what = (
                f"{sail.code} is declared a {sail.kind}, but its half width is {share:.1f} % of its foot, which makes "
                f"it a {row['by_rule']} ({limit:.0f} % and more is a spinnaker, {row['rule']})"
            )
            out.append((KIND, [sail.code], what))
    return out


def _minutes_flown(boat: Boat, segments: pl.DataFrame) -> dict[str, float]:
    """Minutes by set without its reefs, sets of the boat only, by name."""
    total: dict[str, float] = {}
    for name, start, end in segments.select("sail_set", "start", "end").iter_rows():
        if name is not None and sails_of(name, boat):
            base = name.removesuffix(f"+R{reefs_of(name, boat)}")
            total[base] = total.get(base, 0.0) + (end - start).total_seconds() / 60.0
    return dict(sorted(total.items()))

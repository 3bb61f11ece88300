"""Campaigns at both ends of what a page must bear: next to nothing, and a boat of 20 sets with hundreds of races."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.campaign.settings import Boat, Instruments, Sail, SailSet
from pipeline.reporting.context import ReportContext
from pipeline.reporting.numbers import LANGUAGES
from pipeline.reporting.pages import write_pages
from tests.reporting import conftest as small
from tests.reporting.decided import make_decisions, make_review, make_totals, make_tracks

HOSTILE = '<img src=x onerror="alert(1)">&\'"{{7*7}}'
RIGHT_TO_LEFT = "مفرش كبير جداً"
VERY_LONG = "Grand-Voile-" * 30
FORMULA = '=HYPERLINK("x","y")'
RACES = 300
MANY_SETS = (*small.SETS, HOSTILE, RIGHT_TO_LEFT, VERY_LONG, FORMULA, *(f"S{k:02}+ST" for k in range(9, 21)))
# Each further set is at home somewhere of its own.
for _k, _name in enumerate(MANY_SETS[len(small.SETS) :]):
    small.PEAK_DEG[_name] = 45.0 + 8.0 * _k
    small.WIND_BEST_KN[_name] = 7.0 + 4.0 * (_k % 6)


def write_minimal(out: Path) -> None:
    """One set, one hour, one window; no design, no race, no decision."""
    boat = Boat(name="Invented Sprat", loa_m=6.0, instruments=Instruments(wind_sensor_height_m=9.0))
    tables = {"windows": small.make_windows().head(1), "segments": small.make_segments().head(1)}
    write_pages(tables, boat, out, context=ReportContext(invented=True))


def write_small(out: Path) -> None:
    """The small invented season, numbers as a German reader writes them, and every page also as a single file."""
    context = ReportContext(invented=True, numbers=LANGUAGES["de"], single_files=True)
    tables = small.make_tables()
    write_pages(tables, small.make_boat(), out, designed=small.make_designed(), context=context)


def write_huge(out: Path) -> None:
    """20 sets, 120 days, 300 races, names with markup, formulas, very long and right-to-left text."""
    sails = {"MN": Sail("MN", "mainsail", "mast")}
    sails |= {name: Sail(name, "spinnaker", f"bowsprit {k}", max_aws_kn=25.0) for k, name in enumerate(MANY_SETS)}
    boat = Boat(
        name=f"{HOSTILE} {RIGHT_TO_LEFT}",
        loa_m=30.0,
        instruments=Instruments(wind_sensor_height_m=40.0),
        sails=sails,
        sail_sets=tuple(SailSet(name, ("MN", name)) for name in MANY_SETS),
    )
    write_pages(huge_tables(), boat, out, designed=small.make_designed(), races=entered(), context=ReportContext())


def entered() -> pl.DataFrame:
    """As many races as the tables have."""
    totals = make_totals(RACES)
    return (
        totals.head(RACES)
        .select(race_name(), "start", finish=pl.col("start") + timedelta(hours=1))
        .rename({"race": "name"})
    )


def race_name() -> pl.Expr:
    """Every tenth race bears a name that is hard to print."""
    race = pl.col("race")
    hard = [HOSTILE, RIGHT_TO_LEFT, VERY_LONG, FORMULA]
    named = race
    for k, name in enumerate(hard):
        named = pl.when(race.str.ends_with(str(2 * k + 1) + "0")).then(pl.lit(name + " ") + race).otherwise(named)
    return named.alias("race")


def huge_tables() -> dict[str, pl.DataFrame]:
    """The tables of such a season."""
    surfaces = small.make_surfaces(MANY_SETS)
    best = small.make_best(surfaces)
    crossovers = small.make_crossovers(best)
    tables = small.make_tables() | make_decisions(best)
    raced = {
        "race_review": make_review(RACES),
        "race_totals": make_totals(RACES),
        "race_tracks": make_tracks(RACES),
    }
    return tables | {
        "surfaces": surfaces,
        "best_set": best,
        "set_differences": small.make_differences(surfaces, MANY_SETS),
        "crossovers": crossovers,
        "design_comparison": small.make_comparison(crossovers),
        "port_starboard": small.make_tack_differences(crossovers),
        "border_influence": small.make_influence(crossovers),
        "windows": small.make_windows(days=120, sets=MANY_SETS),
        "segments": small.make_segments(days=120, sets=MANY_SETS),
        **{name: frame.with_columns(race_name()) for name, frame in raced.items()},
    }

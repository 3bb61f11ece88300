"""The HTML pages of a run: records from the tables, figures from the records, templates around them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.campaign.settings import Boat
from pipeline.reporting.assets import write_assets
from pipeline.reporting.calibration_view import calibration_view
from pipeline.reporting.context import ReportContext
from pipeline.reporting.figures.chart_drawing import draw_chart
from pipeline.reporting.figures.curve_drawing import dots_outside, draw_panel
from pipeline.reporting.figures.interactive import live_chart, live_curves
from pipeline.reporting.figures.question import question_data
from pipeline.reporting.figures.shift_drawing import along_range, draw_shift, draw_where, widest_shift
from pipeline.reporting.figures.strip_drawing import draw_strips
from pipeline.reporting.figures.time_drawing import draw_session
from pipeline.reporting.numbers import Numbers, moment, plural
from pipeline.reporting.palette import Palette, names_of_sets, palette_for
from pipeline.reporting.records import answers, wording
from pipeline.reporting.records.caution import CAUTION, approximations
from pipeline.reporting.records.changes import Change, Changes, changes
from pipeline.reporting.records.chart import MeasuredChart, measured_chart
from pipeline.reporting.records.curves import CurvePanel, SpeedCurves, speed_curves
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import Ledger, LedgerRow, ledger
from pipeline.reporting.records.lookup import Place, chart_table, lookup
from pipeline.reporting.records.quality import Quality, quality
from pipeline.reporting.records.sailed import FlownAgainstFastest, flown_against_fastest
from pipeline.reporting.records.season import Season, season
from pipeline.reporting.records.timeline import SessionLine, time_lines
from pipeline.reporting.rendering import render

PAGES = (
    ("index.html", "Season"),
    ("coach.html", "Coach"),
    ("sailmaker.html", "Sailmaker"),
    ("analyst.html", "Analyst"),
    ("calibration.html", "Calibration"),
)
# Heading of each standing in the ledger; untested borders are folded below it.
STANDINGS = (
    ("moved", "Moved: the interval excludes the design at half of the decided points or more"),
    ("moved in part", "Moved in part: at more points than luck explains"),
    ("undecided", "Measured, not yet decided: the interval is too wide or open"),
    ("confirmed", "Confirmed: narrow, and the design lies inside"),
)
# Scripts beside the shared style sheet, by page: hovering figures, or the question box alone.
FIGURE_SCRIPTS, QUESTION_SCRIPTS = ("plotly.min.js", "report.js"), ("lookup.js",)
SCRIPTS = {
    "index.html": QUESTION_SCRIPTS,
    "coach.html": QUESTION_SCRIPTS,
    "sailmaker.html": FIGURE_SCRIPTS,
    "analyst.html": (*FIGURE_SCRIPTS, *QUESTION_SCRIPTS),
    "calibration.html": (),
}
# Rows and drawings beyond these stay in the tables, so that a page of a large season keeps its weight.
MOST_FILE_ROWS = 100
MOST_POINT_ROWS = 60
MOST_SESSION_ROWS = 120
MOST_SESSIONS_DRAWN = 40


@dataclass(frozen=True, slots=True)
class ChartView:
    """The measured chart with its drawings."""

    chart: MeasuredChart
    chart_wide: Markup
    chart_narrow: Markup
    live: Markup | None


@dataclass(frozen=True, slots=True)
class CurvesView:
    """Speed against angle with its drawings."""

    curves: SpeedCurves
    panels: tuple[tuple[CurvePanel, Markup, int], ...]
    curves_live: Markup | None


@dataclass(frozen=True, slots=True)
class Records:
    """Everything the pages show."""

    season: Season
    quality: Quality
    chart: MeasuredChart
    curves: SpeedCurves
    ledger: Ledger
    changes: Changes
    flown: FlownAgainstFastest
    lines: tuple[SessionLine, ...]
    places: tuple[Place, ...]


def write_pages(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    out: Path,
    *,
    designed: pl.DataFrame | None = None,
    races: pl.DataFrame | None = None,
    context: ReportContext | None = None,
) -> list[Path]:
    """Write the five pages and `assets/` into the fresh folder `out`; returns every file written.

    `tables` are those of the store by name; one that is missing counts as empty. `designed` holds the rings of the
    designed areas (`sail_set, part, tws_kn, twa_deg`), `races` their `name, start, finish`. Pages link to
    `tables/NAME.csv` beside them. Equal inputs give equal bytes.
    """
    context = context or ReportContext()
    out.mkdir(parents=True, exist_ok=True)
    whole = complete(tables)
    palette = palette_for(names_of_sets(boat, whole, designed))
    records = build_records(whole, boat, designed, races, tuple(s.name for s in palette.styles))
    links = context.table_names if context.table_names is not None else tuple(sorted(tables))
    shared = _shared(records, boat, context, palette, links)
    shared |= {"caution": CAUTION, "approximations": approximations(boat, whole, context)}
    shared |= {"has_design": designed is not None or whole["design_comparison"].height > 0}
    shared |= {"calibration": calibration_view(whole, boat, context.numbers)}
    written = write_assets(out / "assets")
    for file, name in PAGES:
        page = out / file
        values = shared | {"here": file, "title": name, "scripts": SCRIPTS[file]}
        page.write_text(render(f"{file}.j2", values), encoding="utf-8", newline="\n")
        written.append(page)
    return written


def build_records(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    designed: pl.DataFrame | None,
    races: pl.DataFrame | None,
    order: tuple[str, ...],
) -> Records:
    """All records of a run; `tables` complete, `order` the sets in the order they are listed."""
    chart = measured_chart(tables, boat, designed)
    return Records(
        season=season(tables, order),
        quality=quality(tables),
        chart=chart,
        curves=speed_curves(tables),
        ledger=ledger(tables),
        changes=changes(tables),
        flown=flown_against_fastest(tables, races),
        lines=time_lines(tables),
        places=lookup(chart, tables),
    )


def _shared(
    records: Records, boat: Boat, context: ReportContext, palette: Palette, links: tuple[str, ...]
) -> dict[str, Any]:
    numbers = context.numbers
    said = _answers(records, numbers)
    return {
        "boat": boat,
        "context": context,
        "palette": palette,
        "num": numbers,
        "plural": plural,
        "moment": moment,
        "links": links,
        "pages": PAGES,
        "season": records.season,
        "quality": records.quality,
        "ledger": records.ledger,
        "changes": records.changes,
        "flown": records.flown,
        "answers": said,
        "findings": _findings(said),
        "table": chart_table(records.chart),
        "question": question_data(records.places, records.chart, numbers),
        "standings": STANDINGS,
        "pairs": _pairs(records.changes),
        "rounded": lambda value, unit: wording.rounded(value, unit, numbers),
        "places": lambda row, state: wording.places(row.parts, state, row.unit, numbers),
        "stretch": lambda low, high, decimals=0: _stretch(low, high, decimals, numbers),
        "file_rows": MOST_FILE_ROWS,
        "point_rows": MOST_POINT_ROWS,
        "session_rows": MOST_SESSION_ROWS,
        **_figures(records, palette),
    }


def _answers(records: Records, numbers: Numbers) -> dict[str, tuple[str, ...]]:
    return {
        "season": answers.season_answer(records.season, records.quality, numbers),
        "use": answers.use_answer(records.season, records.quality, numbers),
        "analyst": answers.analyst_answer(records.season, records.flown, records.quality, numbers),
        "sailmaker": answers.sailmaker_answer(records.ledger, numbers, bool(records.chart.designed)),
        "coach": answers.coach_answer(records.changes, records.season, numbers),
    }


def _findings(said: Mapping[str, tuple[str, ...]]) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    """For each reader: the page, what it answers, and the first findings of its answer."""
    return (
        ("coach.html", "Coach: when to change sails", said["coach"][:2]),
        ("sailmaker.html", "Sailmaker: which designed borders moved", said["sailmaker"][:2]),
        ("analyst.html", "Analyst: was the fastest set up, and what the data are worth", said["analyst"][:1]),
    )


def _figures(records: Records, palette: Palette) -> dict[str, Any]:
    by_angle = records.changes.by_angle
    drawn, left = _sessions(records.lines)
    widest = {along: widest_shift(records.ledger.rows, along) for along in ("tws_kn", "twa_deg")}

    along = {name: along_range(records.ledger.rows, name) for name in ("tws_kn", "twa_deg")}

    def chip(row: LedgerRow) -> Markup | None:
        return draw_shift(row, widest[row.along])

    def where(row: LedgerRow) -> Markup | None:
        return draw_where(row, along[row.along])

    return {
        "charts": {
            "plain": _chart_view(records, palette, with_design=False),
            "designed": _chart_view(records, palette, with_design=True),
            "curves": CurvesView(
                records.curves,
                tuple(
                    (p, draw_panel(p, records.curves, palette), dots_outside(p, records.curves))
                    for p in records.curves.chosen
                ),
                live_curves(records.curves, palette),
            ),
        },
        "strips_wide": draw_strips(by_angle, palette, narrow=False, prefix="strip") if by_angle else None,
        "strips_narrow": draw_strips(by_angle, palette, narrow=True, prefix="strip") if by_angle else None,
        "sessions": tuple(
            (
                line,
                draw_session(line, palette, narrow=False, prefix=f"line{line.number}"),
                draw_session(line, palette, narrow=True, prefix=f"line{line.number}"),
            )
            for line in drawn
        ),
        "sessions_left": left,
        "session_sets": tuple(
            s.name for s in palette.styles if any(s.name == x.sail_set for q in drawn for x in q.stretches)
        ),
        "chip": chip,
        "where": where,
    }


def _chart_view(records: Records, palette: Palette, *, with_design: bool) -> ChartView:
    chart = records.chart
    moves = records.ledger.moves if with_design else ()
    crossings = [c for s in (*records.changes.by_angle, *records.changes.by_wind) for c in s.changes]
    return ChartView(
        chart,
        draw_chart(chart, palette, narrow=False, with_design=with_design, moves=moves, name="chart"),
        draw_chart(chart, palette, narrow=True, with_design=with_design, moves=moves, name="chart"),
        live_chart(chart, crossings, moves, palette, with_design=with_design),
    )


def _sessions(lines: tuple[SessionLine, ...]) -> tuple[tuple[SessionLine, ...], int]:
    """The longest sessions, in time order, and how many are left out."""
    longest = sorted(lines, key=lambda q: (q.start - q.end, q.start))[:MOST_SESSIONS_DRAWN]
    return tuple(sorted(longest, key=lambda q: q.start)), len(lines) - len(longest)


def _pairs(found: Changes) -> tuple[tuple[str, str, tuple[Change, ...]], ...]:
    """All crossings by unordered pair of sets."""

    def pair(c: Change) -> tuple[str, str]:
        return min(c.set_a, c.set_b), max(c.set_a, c.set_b)

    def order(c: Change) -> tuple[object, ...]:
        return (*pair(c), c.at is not None, c.mode, c.along, c.at or 0.0, c.crossing or 0.0, c.set_a)

    return tuple((a, b, tuple(rows)) for (a, b), rows in groupby(sorted(found.every, key=order), key=pair))


def _stretch(low: float, high: float, decimals: int, numbers: Numbers) -> str:
    """ "40 to 60", or "40" where both ends are the same."""
    ends = [numbers.plain(v, decimals) for v in (low, high)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)

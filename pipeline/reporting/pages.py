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
from pipeline.reporting.context import ReportContext
from pipeline.reporting.figures.chart_drawing import draw_chart
from pipeline.reporting.figures.curve_drawing import dots_outside, draw_panel
from pipeline.reporting.figures.interactive import live_chart, live_curves
from pipeline.reporting.figures.shift_drawing import draw_shift, widest_shift
from pipeline.reporting.figures.strip_drawing import draw_strips
from pipeline.reporting.figures.time_drawing import draw_session
from pipeline.reporting.numbers import MISSING, Numbers, moment, plural
from pipeline.reporting.palette import Palette, names_of_sets, palette_for
from pipeline.reporting.records import answers
from pipeline.reporting.records.caution import CAUTION, approximations
from pipeline.reporting.records.changes import Change, Changes, changes
from pipeline.reporting.records.chart import MeasuredChart, measured_chart
from pipeline.reporting.records.curves import CurvePanel, SpeedCurves, speed_curves
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import Ledger, LedgerRow, ledger
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
)
STANDINGS = (
    ("moved", "Moved: the interval excludes the design at half of the decided points or more"),
    ("moved in part", "Moved in part: at more points than luck explains"),
    ("undecided", "Measured, not yet decided: the interval is too wide or open"),
    ("confirmed", "Confirmed: narrow, and the design lies inside"),
    ("untested", "Untested: not measured"),
)
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


def write_pages(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    out: Path,
    *,
    designed: pl.DataFrame | None = None,
    races: pl.DataFrame | None = None,
    context: ReportContext | None = None,
) -> list[Path]:
    """Write the four pages and `assets/` into the fresh folder `out`; returns every file written.

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
    written = write_assets(out / "assets")
    for file, name in PAGES:
        page = out / file
        values = shared | {"here": file, "title": name, "scripts": file in ("analyst.html", "sailmaker.html")}
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
    return Records(
        season=season(tables, order),
        quality=quality(tables),
        chart=measured_chart(tables, boat, designed),
        curves=speed_curves(tables),
        ledger=ledger(tables),
        changes=changes(tables),
        flown=flown_against_fastest(tables, races),
        lines=time_lines(tables),
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
        "readers": (
            ("coach.html", "Coach: when to change", said["coach"][0]),
            ("sailmaker.html", "Sailmaker: which borders moved", said["sailmaker"][0]),
            ("analyst.html", "Analyst: what was sailed", said["analyst"][0]),
        ),
        "standings": STANDINGS,
        "pairs": _pairs(records.changes),
        "rounded": lambda value: numbers.plain(value, 1 if value is not None and value % 1 else 0),
        "stretch": lambda low, high, decimals=0: _stretch(low, high, decimals, numbers),
        "rounded_span": lambda change: _rounded_span(change, numbers),
        "file_rows": MOST_FILE_ROWS,
        "point_rows": MOST_POINT_ROWS,
        "session_rows": MOST_SESSION_ROWS,
        **_figures(records, palette),
    }


def _answers(records: Records, numbers: Numbers) -> dict[str, tuple[str, ...]]:
    return {
        "season": answers.season_answer(records.season, records.quality, numbers),
        "analyst": answers.analyst_answer(records.season, records.flown, records.quality, numbers),
        "sailmaker": answers.sailmaker_answer(records.ledger, numbers, bool(records.chart.designed)),
        "coach": answers.coach_answer(records.changes, records.season, numbers),
    }


def _figures(records: Records, palette: Palette) -> dict[str, Any]:
    by_angle = records.changes.by_angle
    drawn, left = _sessions(records.lines)
    widest = {along: widest_shift(records.ledger.rows, along) for along in ("tws_kn", "twa_deg")}

    def chip(row: LedgerRow) -> Markup | None:
        return draw_shift(row, widest[row.along])

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
    }


def _chart_view(records: Records, palette: Palette, *, with_design: bool) -> ChartView:
    chart = records.chart
    crossings = [c for s in (*records.changes.by_angle, *records.changes.by_wind) for c in s.changes]
    return ChartView(
        chart,
        draw_chart(chart, palette, narrow=False, with_design=with_design, name="chart"),
        draw_chart(chart, palette, narrow=True, with_design=with_design, name="chart"),
        live_chart(chart, crossings, palette, with_design=with_design),
    )


def _sessions(lines: tuple[SessionLine, ...]) -> tuple[tuple[SessionLine, ...], int]:
    """The longest sessions, in time order, and how many are left out."""
    longest = sorted(lines, key=lambda q: (q.start - q.end, q.start))[:MOST_SESSIONS_DRAWN]
    return tuple(sorted(longest, key=lambda q: q.start)), len(lines) - len(longest)


def _pairs(found: Changes) -> tuple[tuple[str, str, tuple[Change, ...]], ...]:
    def pair(c: Change) -> tuple[str, str]:
        return c.set_a, c.set_b

    def order(c: Change) -> tuple[object, ...]:
        return (*pair(c), c.at is not None, c.mode, c.along, c.at or 0.0, c.crossing or 0.0)

    return tuple((a, b, tuple(rows)) for (a, b), rows in groupby(sorted(found.every, key=order), key=pair))


def _rounded_span(change: Change, numbers: Numbers) -> str:
    """Where it does not matter, each end with its unit; an end that the data do not close is open."""
    if change.from_ is None and change.until is None:
        return MISSING
    unit = " kn" if change.unit == "kn" else "°"
    ends = ("open" if v is None else numbers.plain(v, 1 if v % 1 else 0) + unit for v in (change.from_, change.until))
    return " to ".join(ends)


def _stretch(low: float, high: float, decimals: int, numbers: Numbers) -> str:
    """ "40 to 60", or "40" where both ends are the same."""
    ends = [numbers.plain(v, decimals) for v in (low, high)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)

"""The HTML pages of a run: records from the tables, figures from the records, templates around them."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.reporting.assets import PLOTLY, SCRIPT, embedded, write_assets
from pipeline.reporting.calibration_view import calibration_view
from pipeline.reporting.context import ReportContext
from pipeline.reporting.decisions_view import answer_lines, decisions_view, more_findings
from pipeline.reporting.diagnostics_view import diagnostics_view
from pipeline.reporting.figures.question import question_data
from pipeline.reporting.figures_view import figures_view
from pipeline.reporting.numbers import Numbers, brief, moment, plural, written_for
from pipeline.reporting.palette import Palette, names_of_sets, palette_for
from pipeline.reporting.records import answers, wording
from pipeline.reporting.records.caution import CAUTION, approximations
from pipeline.reporting.records.changes import Change, Changes
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.guesses import guess_words
from pipeline.reporting.records.leftover import odd_words
from pipeline.reporting.records.lookup import chart_table
from pipeline.reporting.records.races import race_answer
from pipeline.reporting.records.trust import held_words, wrong_words
from pipeline.reporting.rendering import render
from pipeline.reporting.run_records import Records, build_records

PAGES = (
    ("index.html", "Season"),
    ("coach.html", "Coach"),
    ("card.html", "Card"),
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
# Pages with figures to hover and choose in; the others need our own script alone.
FIGURE_PAGES = ("sailmaker.html", "analyst.html")
# Folder of the pages as single files.
SINGLE = "single"
# Rows and drawings beyond these stay in the tables, so that a page of a large season keeps its weight.
MOST_FILE_ROWS = 100
MOST_POINT_ROWS = 60
MOST_SESSION_ROWS = 60
MOST_CARRIER_ROWS, MORE_CARRIER_ROWS = 12, 40


def write_pages(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    out: Path,
    *,
    designed: pl.DataFrame | None = None,
    races: pl.DataFrame | None = None,
    context: ReportContext | None = None,
) -> list[Path]:
    """Write the pages and `assets/` into the fresh folder `out`; returns every file written.

    With `context.single_files` every page also stands in `out/single/` as one file that holds all it needs and leads
    nowhere else: tables are copied or saved from the page itself.

    `tables` are those of the store by name; one that is missing counts as empty. `designed` holds the rings of the
    designed areas (`sail_set, part, tws_kn, twa_deg`), `races` their `name, start, finish`. Pages link to
    `tables/NAME.csv` beside them. Equal inputs give equal bytes.
    """
    context = context or ReportContext()
    out.mkdir(parents=True, exist_ok=True)
    with written_for(context.numbers):
        values = page_values(tables, boat, designed=designed, races=races, context=context)
    written = write_assets(out / "assets")
    for file, name in PAGES:
        own = values | {"here": file, "title": name}
        with written_for(context.numbers):
            texts = {out / file: render(f"{file}.j2", own | {"scripts": scripts_of(file), "alone": None})}
            if context.single_files:
                alone = {"scripts": (), "alone": embedded(figures=file in FIGURE_PAGES), "links": ()}
                texts[out / SINGLE / file] = render(f"{file}.j2", own | alone)
        for path, text in texts.items():
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
            written.append(path)
    return written


def page_values(
    tables: Mapping[str, pl.DataFrame],
    boat: Boat,
    *,
    designed: pl.DataFrame | None,
    races: pl.DataFrame | None,
    context: ReportContext,
) -> dict[str, Any]:
    """What the templates of all pages are given, by name."""
    whole = complete(tables)
    palette = palette_for(names_of_sets(boat, whole, designed))
    records = build_records(whole, boat, designed, races, tuple(s.name for s in palette.styles))
    links = context.table_names if context.table_names is not None else tuple(sorted(tables))
    shared = _shared(records, boat, context, palette, links)
    shared |= {"caution": CAUTION, "approximations": approximations(boat, whole, context)}
    shared |= {"has_design": designed is not None or whole["design_comparison"].height > 0}
    shared |= {"calibration": calibration_view(whole, boat, context.numbers)}
    shared |= {"diagnostics": diagnostics_view(whole, records, context.numbers)}
    shared |= {"decisions": decisions_view(records, boat, context.numbers)}
    return shared


def scripts_of(file: str) -> tuple[str, ...]:
    """Scripts of a page in the order in which they run."""
    return (PLOTLY, SCRIPT) if file in FIGURE_PAGES else (SCRIPT,)


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
        "brief": brief,
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
        "more": more_findings(records, numbers),
        "table": chart_table(records.chart),
        "question": question_data(records.places, records.chart, numbers),
        "standings": STANDINGS,
        "pairs": _pairs(records.changes),
        "rounded": lambda value, unit: wording.rounded(value, unit, numbers),
        "places": lambda row, state: wording.places(row.parts, state, row.unit, numbers),
        "legs": records.legs,
        "guesses": tuple((g, guess_words(g, numbers)) for g in records.guesses),
        "tacks_of": lambda c: records.tacks.get((c.set_a, c.set_b, c.mode, c.along, c.at, c.crossing)),
        "stretch": lambda low, high, decimals=0: _stretch(low, high, decimals, numbers),
        "file_rows": MOST_FILE_ROWS,
        "point_rows": MOST_POINT_ROWS,
        "session_rows": MOST_SESSION_ROWS,
        "carrier_lines": MOST_CARRIER_ROWS,
        "more_carrier_lines": MORE_CARRIER_ROWS,
        **figures_view(records, palette, numbers),
    }


def _answers(records: Records, numbers: Numbers) -> dict[str, tuple[str, ...]]:
    decided = answer_lines(records, numbers)
    sailed = answers.analyst_answer(records.season, records.flown, records.quality, numbers)
    return {
        "season": answers.season_answer(records.season, records.quality, numbers),
        "use": answers.use_answer(records.season, records.quality, numbers),
        "sailed": sailed,
        "race": race_answer(records.races, numbers),
        "analyst": (
            *decided["analyst"],
            *sailed,
            *((held_words(records.trust, numbers),) if records.trust.checks else ()),
            *((odd_words(records.leftover, numbers),) if records.leftover.odd else ()),
        ),
        "sailmaker": (
            *answers.sailmaker_answer(records.ledger, numbers, bool(records.chart.designed)),
            *decided["sailmaker"],
            *wrong_words(records.trust, numbers),
        ),
        "coach": (
            *answers.coach_answer(records.changes, records.season, numbers, records.guesses),
            *decided["coach"],
        ),
    }


def _findings(said: Mapping[str, tuple[str, ...]]) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    """For each reader: the page, what it answers, and the first findings of its answer."""
    return (
        ("coach.html", "Coach: when to change sails", said["coach"][:2]),
        ("sailmaker.html", "Sailmaker: which designed borders moved", said["sailmaker"][:2]),
        ("analyst.html", "Analyst: was the fastest set up, and what the data are worth", said["sailed"][:1]),
    )


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

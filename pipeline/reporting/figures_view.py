"""What the templates are given to draw: every figure of the pages, made from the records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from pipeline.reporting.figures.chart_drawing import draw_chart
from pipeline.reporting.figures.close_up_drawing import draw_slice
from pipeline.reporting.figures.curve_drawing import dots_outside, draw_panel
from pipeline.reporting.figures.interactive import live_chart, live_curves
from pipeline.reporting.figures.race_drawing import draw_race
from pipeline.reporting.figures.shift_drawing import along_range, draw_shift, draw_where, widest_shift
from pipeline.reporting.figures.strip_drawing import draw_strips
from pipeline.reporting.figures.time_drawing import draw_session
from pipeline.reporting.figures.track_drawing import draw_course, draw_evidence
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.palette import Palette
from pipeline.reporting.records.chart import MeasuredChart
from pipeline.reporting.records.close_ups import CloseUp
from pipeline.reporting.records.curves import CurvePanel, SpeedCurves
from pipeline.reporting.records.ledger import LedgerRow
from pipeline.reporting.records.race_courses import Evidence, Pick, picks
from pipeline.reporting.records.timeline import SessionLine
from pipeline.reporting.run_records import Records

MOST_SESSIONS_DRAWN = 16


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
    sets: tuple[str, ...]
    panels: tuple[tuple[CurvePanel, Markup, int], ...]
    curves_live: Markup | None


def figures_view(records: Records, palette: Palette, numbers: Numbers) -> dict[str, Any]:
    """Charts, strips and session lines with their drawings, and the drawings of a ledger row, by name."""
    by_angle = records.changes.by_angle
    drawn, left = _sessions(records.lines)
    marked = picks(records.races, numbers)
    curved = {c.sail_set for p in records.curves.panels for c in p.curves}
    raced = {name for c in records.courses for g in c.legs for name in (g.flown, g.measured)}
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
            "raced": _chart_view(records, palette, with_design=True, marked=marked),
            "curves": CurvesView(
                records.curves,
                tuple(s.name for s in palette.styles if s.name in curved),
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
                *(
                    draw_session(line, palette, narrow=narrow, prefix=f"line{line.number}", picks=marked)
                    for narrow in (False, True)
                ),
            )
            for line in drawn
        ),
        "sessions_left": left,
        "course_sets": tuple(s.name for s in palette.styles if s.name in raced),
        "session_sets": tuple(
            s.name for s in palette.styles if any(s.name == x.sail_set for q in drawn for x in q.stretches)
        ),
        "chip": chip,
        "where": where,
        "courses": tuple(
            (c, draw_race(c, palette, narrow=False), draw_race(c, palette, narrow=True), draw_course(c, palette))
            for c in records.courses
        ),
        "picked": {p.key: p.said for p in marked},
        "evidence": tuple(_evidence(e, palette, numbers) for e in records.evidence),
        "close_ups": {
            key: (found, tuple((part, draw_slice(found, part, palette, numbers)) for part in found.slices))
            for key, found in records.close_ups.items()
        },
    }


def _chart_view(records: Records, palette: Palette, *, with_design: bool, marked: tuple[Pick, ...] = ()) -> ChartView:
    chart = records.chart
    moves = records.ledger.moves if with_design else ()
    crossings = [c for s in (*records.changes.by_angle, *records.changes.by_wind) for c in s.changes]
    return ChartView(
        chart,
        draw_chart(chart, palette, narrow=False, with_design=with_design, moves=moves, picks=marked, name="chart"),
        draw_chart(chart, palette, narrow=True, with_design=with_design, moves=moves, picks=marked, name="chart"),
        live_chart(chart, crossings, moves, palette, with_design=with_design, picks=marked),
    )


def _evidence(found: Evidence, palette: Palette, numbers: Numbers) -> tuple[Evidence, Markup | None, Markup]:
    """Both surfaces (None where they say nothing), and the wind with the locator."""
    s = found.stretch
    surfaces = None
    if found.slice is not None:
        close = CloseUp(s.flown, s.measured, "twa_deg", (found.slice,))
        surfaces = draw_slice(close, found.slice, palette, numbers)
    return found, surfaces, draw_evidence(found, palette)


def _sessions(lines: tuple[SessionLine, ...]) -> tuple[tuple[SessionLine, ...], int]:
    """The longest sessions, in time order, and how many are left out."""
    longest = sorted(lines, key=lambda q: (q.start - q.end, q.start))[:MOST_SESSIONS_DRAWN]
    return tuple(sorted(longest, key=lambda q: q.start)), len(lines) - len(longest)

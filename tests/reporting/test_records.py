"""Every figure's record against the tables it comes from."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.figures.axes import Scale
from pipeline.reporting.figures.chart_drawing import edges_of_areas
from pipeline.reporting.figures.curve_drawing import dots_outside
from pipeline.reporting.figures.strip_drawing import MARK_SIZE, place_marks
from pipeline.reporting.figures.svg import label_width
from pipeline.reporting.records.changes import changes, round_to
from pipeline.reporting.records.chart import Cell, measured_chart
from pipeline.reporting.records.curves import MOST_DOTS, speed_curves
from pipeline.reporting.records.evidence import Evidence, evidence_at
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import ledger, lucky_moved
from pipeline.reporting.records.limits import limits_of_sets
from pipeline.reporting.records.lookup import chart_table
from pipeline.reporting.records.quality import MOST_REJECTED, quality
from pipeline.reporting.records.sailed import Loss, Split, flown_against_fastest
from pipeline.reporting.records.season import season, with_sessions
from pipeline.reporting.records.timeline import MOST_POINTS, time_lines
from pipeline.tables import TABLES

Tables = dict[str, pl.DataFrame]


def test_chart_cells_are_the_sailed_rows_of_best_set(tables: Tables, boat: Boat) -> None:
    chart = measured_chart(tables, boat, None)
    sailed = tables["best_set"].filter(pl.col("verdict") != "unsailed").sort("twa_deg", "tws_kn")
    assert [(c.tws_kn, c.twa_deg, c.sail_set) for c in chart.cells] == sailed.select(
        "tws_kn", "twa_deg", "best_set"
    ).rows()
    assert sum(c.state == "clear" for c in chart.cells) == sailed.filter(pl.col("verdict") == "clear").height
    assert sum(c.state == "alone" for c in chart.cells) == sailed["runner_up"].null_count()
    assert chart.windows == tables["windows"].height
    assert chart.days == 6
    assert chart.minutes == pytest.approx(tables["windows"].height * 0.75)


def test_chart_shows_the_design_and_a_label_inside_each_area(
    tables: Tables, boat: Boat, designed: pl.DataFrame
) -> None:
    chart = measured_chart(tables, boat, designed)
    assert [r.sail_set for r in chart.designed] == ["J1", "J2", "G1", "G2+ST"]
    assert chart.designed[0].vertices == ((2, 30), (14, 30), (14, 88), (2, 88))
    at = {(c.tws_kn, c.twa_deg): c.sail_set for c in chart.cells}
    assert {at[x.tws_kn, x.twa_deg] for x in chart.labels} == {x.sail_set for x in chart.labels} == set(chart.sets)


def test_wind_over_the_makers_limit_is_marked(tables: Tables, boat: Boat) -> None:
    chart = measured_chart(tables, boat, None)
    limit = {x.sail_set: x.max_aws_kn for x in limits_of_sets(boat, chart.sets)}
    assert limit == {"J2": 40.0, "G1": 16.0, "G2+ST": 24.0}  # no limit is stated for J1
    beyond = set(tables["limit_cells"].select("sail_set", "tws_kn", "twa_deg").rows())
    marked = [c for c in chart.cells if c.over_limit]
    assert {(c.sail_set, c.tws_kn, c.twa_deg) for c in chart.cells} & beyond == {
        (c.sail_set, c.tws_kn, c.twa_deg) for c in marked
    }
    assert marked
    assert {x.sail_set for x in chart.limits} == {c.sail_set for c in marked}
    assert chart.limited


def test_curves_are_the_supported_rows_of_surfaces(tables: Tables) -> None:
    curves = speed_curves(tables)
    assert curves.chosen_tws_kn == (8.0, 12.0, 16.0, 20.0)
    for panel in curves.panels:
        rows = (
            tables["surfaces"]
            .filter(pl.col("supported") & (pl.col("tws_kn") == panel.tws_kn))
            .sort("sail_set", "twa_deg")
        )
        drawn = [(c.sail_set, p.twa_deg, p.bsp_kn, p.bsp_low_kn) for c in panel.curves for s in c.stretches for p in s]
        assert drawn == rows.select("sail_set", "twa_deg", "bsp_kn", "bsp_low_kn").rows()
        near = tables["windows"].filter((pl.col("tws_kn") - panel.tws_kn).abs() <= 1.0)
        assert panel.windows == near.height == len(panel.dots)
        assert sorted(d.bsp_kn for d in panel.dots) == sorted(near["bsp_kn"])


def test_a_gap_in_the_data_parts_a_curve(tables: Tables) -> None:
    holed = tables["surfaces"].with_columns(pl.col("supported") & (pl.col("twa_deg") != 65.0))
    panel = next(p for p in speed_curves(tables | {"surfaces": holed}).panels if p.tws_kn == 8.0)
    assert [len(c.stretches) for c in panel.curves if c.sail_set == "J1"] == [2]


def test_windows_off_the_frame_are_counted_not_hidden(tables: Tables) -> None:
    far = tables["windows"].head(1).with_columns(tws_kn=pl.lit(12.0), bsp_kn=pl.lit(40.0))
    curves = speed_curves(tables | {"windows": pl.concat([tables["windows"], far])})
    assert [dots_outside(p, curves) for p in curves.chosen] == [0, 1, 0, 0]


def test_many_windows_are_thinned_and_still_counted(tables: Tables) -> None:
    many = pl.concat([tables["windows"].with_columns(pl.col("start") + timedelta(days=40 * k)) for k in range(12)])
    panel = next(p for p in speed_curves(tables | {"windows": many}).panels if p.tws_kn == 12.0)
    assert len(panel.dots) <= MOST_DOTS < panel.windows


def test_ledger_counts_points_and_takes_medians(tables: Tables) -> None:
    comparison = tables["design_comparison"]
    found = ledger(tables)
    assert sum(len(r.points) for r in found.rows) == comparison.height
    row = next(r for r in found.rows if (r.set_a, r.set_b, r.along) == ("J1", "G1", "twa_deg"))
    own = comparison.filter((pl.col("set_a") == "J1") & (pl.col("set_b") == "G1") & (pl.col("along") == "twa_deg"))
    assert row.shift == own["shift"].median() == 6.0
    assert (row.least, row.most) == (6.0, 6.0)
    assert row.number("moved") == own.filter(pl.col("verdict") == "moved").height
    assert row.cost_s_per_nm == pytest.approx(own["cost_s_per_nm"].median())
    assert row.standing == "moved"


def test_ledger_is_worst_first_and_names_the_unmoved(tables: Tables) -> None:
    rows = ledger(tables).rows
    order = ["moved", "moved in part", "undecided", "confirmed", "untested"]
    assert [order.index(r.standing) for r in rows] == sorted(order.index(r.standing) for r in rows)
    moved = [(r.cost_s_per_nm or 0) * (r.reliance or 0) for r in rows if r.standing == "moved"]
    assert moved == sorted(moved, reverse=True)
    decided = tables["design_comparison"].filter(pl.col("verdict") != "untested").height
    assert lucky_moved(rows) == pytest.approx(0.1 * decided)


def comparison_rows(*rows: tuple[float | None, float | None, float | None, str]) -> Tables:
    frame = pl.DataFrame(
        [
            {"set_a": "A", "set_b": "B", "along": "tws_kn", "at": 40.0 + 5 * i, "designed": 14.0, "verdict": verdict}
            | {
                "measured": None if shift is None else 14.0 + shift,
                "shift": shift,
                "shift_low": low,
                "shift_high": high,
            }
            | {"cost_pct": None, "cost_s_per_nm": None}
            for i, (shift, low, high, verdict) in enumerate(rows)
        ],
        schema=TABLES["design_comparison"].columns,
    )
    return complete({"design_comparison": frame})


def test_a_border_that_nobody_sailed_is_untested_with_nothing_filled_in() -> None:
    (row,) = ledger(comparison_rows((None, None, None, "untested"))).rows
    assert row.standing == "untested"
    assert row.shift is row.shift_low is row.cost_s_per_nm is row.least is None


def test_an_interval_open_at_most_points_stays_open() -> None:
    (row,) = ledger(
        comparison_rows((1.0, 0.2, None, "untested"), (1.2, 0.4, None, "untested"), (1.1, 0.1, 2.0, "untested"))
    ).rows
    assert row.standing == "undecided"
    assert row.shift_low == 0.2
    assert row.shift_high is None


def test_one_moved_point_of_many_confirmed_is_luck() -> None:
    confirmed = [(0.1, -0.5, 0.7, "confirmed")] * 12
    (row,) = ledger(comparison_rows((1.0, 0.1, 1.9, "moved"), *confirmed)).rows
    assert row.standing == "confirmed"
    (row,) = ledger(comparison_rows(*[(1.0, 0.1, 1.9, "moved")] * 4, *confirmed)).rows
    assert row.standing == "moved in part"


def test_large_shifts_with_large_errors_are_shrunk_most() -> None:
    wide = comparison_rows((4.0, -6.0, 14.0, "untested"))["design_comparison"].with_columns(set_a=pl.lit("W"))
    firm = comparison_rows((2.0, 1.5, 2.5, "moved"))["design_comparison"]
    rows = {r.set_a: r for r in ledger(complete({"design_comparison": pl.concat([wide, firm])})).rows}
    assert rows["W"].reliance < rows["A"].reliance


def test_borders_gather_both_directions_of_a_pair(tables: Tables) -> None:
    found = ledger(tables)
    pairs = {frozenset((r.set_a, r.set_b)) for r in found.rows}
    assert len(found.borders) == len(pairs) == 5
    assert sum(len(b.tested) + len(b.silent) for b in found.borders) == len(found.rows)
    assert [b.standing for b in found.borders] == [b.tested[0].standing for b in found.borders]


def test_parts_say_where_along_a_border_it_moved() -> None:
    rows = [(1.0, 0.5, 1.5, "moved")] * 2 + [(0.1, -0.5, 0.7, "confirmed")] + [(0.4, -2.0, 3.0, "untested")]
    (row,) = ledger(comparison_rows(*rows, (None, None, None, "untested"))).rows
    assert [(p.state, p.low, p.high) for p in row.parts] == [
        ("moved", 40.0, 45.0),
        ("confirmed", 50.0, 50.0),
        ("undecided", 55.0, 55.0),
        ("untested", 60.0, 60.0),
    ]


def test_a_border_beyond_the_data_has_moved_at_least_so_far() -> None:
    (row,) = ledger(comparison_rows((None, 0.5, None, "moved"), (None, 1.5, None, "moved"))).rows
    assert (row.shift, row.at_least, row.standing) == (None, 1.0, "moved")
    assert ledger(comparison_rows((None, 0.5, None, "moved"))).moves == ()


def test_moves_go_from_the_design_to_the_measured_border(tables: Tables) -> None:
    moved = tables["design_comparison"].filter((pl.col("verdict") == "moved") & pl.col("measured").is_not_null())
    moves = ledger(tables).moves
    assert len(moves) == moved.height
    for m in moves:
        along_wind = m.designed_twa_deg == m.measured_twa_deg
        at = m.designed_twa_deg if along_wind else m.designed_tws_kn
        ends = (m.designed_tws_kn, m.measured_tws_kn) if along_wind else (m.designed_twa_deg, m.measured_twa_deg)
        row = moved.filter(
            (pl.col("set_a") == m.set_a)
            & (pl.col("set_b") == m.set_b)
            & (pl.col("at") == at)
            & (pl.col("along") == ("tws_kn" if along_wind else "twa_deg"))
        )
        assert ends in row.select("designed", "measured").rows()


def test_evidence_counts_steady_minutes_near_the_border_and_common_days() -> None:
    begin = datetime(2027, 6, 1, 12)
    blank = dict.fromkeys(TABLES["windows"].columns) | {"session": 0}
    rows = [
        blank | {"start": begin + timedelta(days=day), "sail_set": name, "tws_kn": tws, "twa_deg": twa}
        for day, name, tws, twa in [
            (0, "A", 14.0, -60.0),
            (0, "B", 15.5, 65.0),
            (1, "A", 14.0, 60.0),
            (1, "B", 17.0, 60.0),
        ]
    ]
    windows = pl.DataFrame(
        [r | {"end": r["start"] + timedelta(minutes=1)} for r in rows], schema=TABLES["windows"].columns
    )
    assert evidence_at(windows, "A", "B", "tws_kn", [(14.0, 60.0)]) == Evidence(2.0, 1.0, 1)
    assert evidence_at(windows, "A", "B", "twa_deg", [(60.0, 14.0)]) == Evidence(2.0, 1.0, 1)
    assert evidence_at(windows, "A", "B", "tws_kn", []) == Evidence(0.0, 0.0, 0)


def test_marks_of_one_bar_never_touch_in_a_lane(tables: Tables) -> None:
    x = Scale(4.0, 30.0, 46.0, 390.0)
    lanes = 0
    for strip in changes(tables).by_angle:
        marks = place_marks(strip, x)
        assert len(marks) == sum(c.crossing is not None for c in strip.changes)
        lanes = max([lanes, *(m.lane for m in marks)])
        for one, two in combinations(marks, 2):
            if one.lane == two.lane:
                ends = [max(m.high, m.label_x + label_width(m.text, MARK_SIZE)) for m in (one, two)]
                starts = [min(m.low, m.label_x) for m in (one, two)]
                assert ends[0] <= starts[1] or ends[1] <= starts[0]
    assert lanes >= 1


def test_no_border_is_drawn_where_the_data_of_one_set_end(tables: Tables, boat: Boat) -> None:
    cells = [
        Cell(8.0 + k, 90.0, name, "clear", 1.0, 2.0, None, False, measured)
        for k, (name, measured) in enumerate([("A", ("A", "B")), ("B", ("A", "B")), ("C", ("C",))])
    ]
    chart = replace(measured_chart(tables, boat, None), cells=tuple(cells), tws_step_kn=1.0, twa_step_deg=5.0)
    borders, edge = edges_of_areas(chart)
    assert borders == [(8.5, 87.5, 8.5, 92.5)]
    assert (9.5, 87.5, 9.5, 92.5) in edge


def test_the_chart_as_a_table_holds_the_cells_of_the_chart(tables: Tables, boat: Boat) -> None:
    chart = measured_chart(tables, boat, None)
    table = chart_table(chart)
    held = {(w, a): c for a, cells in table.rows for w, c in zip(table.winds_kn, cells, strict=True) if c}
    assert held == {(c.tws_kn, c.twa_deg): c for c in chart.cells if c.tws_kn in table.winds_kn}


def test_changes_hold_every_crossover_rounded(tables: Tables) -> None:
    found = changes(tables)
    assert found.total == tables["crossovers"].height
    (beat,) = found.beats
    assert (beat.set_a, beat.set_b, beat.crossing, beat.rounded, beat.from_, beat.until) == (
        "J1",
        "J2",
        14.3,
        14.5,
        13.0,
        15.0,
    )
    assert beat.sureness == "sure"
    (run,) = found.runs
    assert (run.rounded, run.from_, run.until, run.sureness) == (16.0, 12.0, None, "one-sided")
    for strip in found.by_angle:
        rows = tables["crossovers"].filter(
            (pl.col("mode") == "fixed-angle") & (pl.col("along") == "tws_kn") & (pl.col("at") == strip.at)
        )
        assert [c.crossing for c in strip.changes] == sorted(rows["crossing"])


def test_strips_cover_the_sailed_cells_and_no_others(tables: Tables) -> None:
    for strip in changes(tables).by_angle:
        line = tables["best_set"].filter((pl.col("twa_deg") == strip.at) & (pl.col("verdict") != "unsailed"))
        assert sum(s.end - s.start for s in strip.spans) == pytest.approx(line.height)
        for row in line.iter_rows(named=True):
            (span,) = [s for s in strip.spans if s.start < row["tws_kn"] < s.end]
            assert span.sail_set == row["best_set"]


def test_rounding_takes_halves_up_and_leaves_missing_alone() -> None:
    assert round_to(14.25, 0.5) == 14.5
    assert round_to(92.4, 5.0) == 90.0
    assert round_to(None, 1.0) is None


def test_season_adds_up(tables: Tables) -> None:
    found = season(tables, ("J1", "J2", "G1", "G2+ST", "not sailed"))
    assert [s.sail_set for s in found.sets] == ["J1", "J2", "G1", "G2+ST"]
    assert found.sessions == found.days == 6
    assert sum(s.minutes for s in found.sets) == pytest.approx(found.minutes)
    assert found.minutes == pytest.approx(6 * 250)
    assert sum(s.windows for s in found.sets) == found.windows == 360


def test_a_pause_of_ten_minutes_parts_sessions_and_none_does_not(tables: Tables) -> None:
    assert with_sessions(tables["segments"])["pause_session"].to_list() == [d for d in range(6) for _ in range(4)]


def test_time_lines_hold_all_stretches_and_average_the_readings(tables: Tables) -> None:
    lines = time_lines(tables)
    assert len(lines) == 6
    assert sum(len(q.stretches) for q in lines) == tables["segments"].height
    assert sum(q.windows for q in lines) == tables["windows"].height
    assert all(len(q.readings) <= MOST_POINTS + 1 for q in lines)
    first = tables["windows"].filter(pl.col("session") == 0)
    mean = np.average([r.tws_kn for r in lines[0].readings])
    assert mean == pytest.approx(first["tws_kn"].mean(), abs=0.3)
    assert [a[2] for a in lines[0].aside] == ["around a sail change"]


def test_quality_counts_all_and_shows_the_first(tables: Tables) -> None:
    found = quality(tables)
    (stage,) = found.stages
    assert (stage.kept, stage.aside) == (360, 474)
    assert [r.reason for r in stage.reasons] == ["kept", "wind unsteady", "tack or gybe", "around a sail change"]
    assert sum(r.share or 0.0 for r in stage.reasons) == pytest.approx(1.0)
    assert found.rejected_total == 60
    assert len(found.rejected) == MOST_REJECTED
    assert found.rejected_by_reason == (("wrong checksum", 60),)
    assert found.lines == 128000


def test_counts_of_different_things_are_not_added_up(tables: Tables) -> None:
    second = pl.DataFrame({"stage": ["windows"], "reason": ["without heel"], "kept": [True], "count": [7]})
    (stage,) = quality(tables | {"flags": pl.concat([tables["flags"], second])}).stages
    assert stage.kept is stage.aside is stage.reasons[0].share is None
    assert {r.reason: r.count for r in stage.reasons}["without heel"] == 7


def flown_tables(flown: str) -> Tables:
    """One cell, two sets at 8 and 7 kn, one window of 60 s."""
    surfaces = pl.DataFrame(
        {"sail_set": ["fast", "slow"], "tws_kn": [12.0] * 2, "twa_deg": [90.0] * 2, "bsp_kn": [8.0, 7.0]}
        | {"bsp_low_kn": [7.8, 6.8], "bsp_high_kn": [8.2, 7.2], "minutes": [5.0] * 2, "supported": [True] * 2}
    )
    best = pl.DataFrame(
        {"tws_kn": [12.0], "twa_deg": [90.0], "best_set": ["fast"], "probability": [0.99], "margin_pct": [14.0]}
        | {"runner_up": ["slow"], "verdict": ["clear"]}
    )
    begin = datetime(2027, 6, 1, 12)
    window = dict.fromkeys(TABLES["windows"].columns) | {
        "start": begin,
        "end": begin + timedelta(seconds=60),
        "session": 0,
        "sail_set": flown,
        "tws_kn": 12.3,
        "twa_deg": -91.0,
    }
    windows = pl.DataFrame([window], schema=TABLES["windows"].columns)
    return complete({"surfaces": surfaces, "best_set": best, "windows": windows})


def test_loss_against_the_fastest_set_is_that_of_the_surfaces() -> None:
    found = flown_against_fastest(flown_tables("slow"))
    assert found.split == Split(0.0, 0.0, 1.0)
    assert found.loss_pct == found.clear_loss_pct == pytest.approx(100.0 * (1.0 - 7.0 / 8.0))
    assert found.sets[0].worst == found.worst == Loss("slow", "fast", 1.0, pytest.approx(12.5), clear=True)


def test_nothing_is_lost_with_the_fastest_set_up() -> None:
    found = flown_against_fastest(flown_tables("fast"))
    assert (found.split, found.loss_pct, found.worst) == (Split(1.0, 0.0, 0.0), 0.0, None)
    assert found.clear_loss_pct is None


def test_what_the_data_cannot_tell_apart_is_neither_fastest_nor_slower() -> None:
    given = flown_tables("slow")
    close = given["best_set"].with_columns(verdict=pl.lit("close"), probability=pl.lit(0.7))
    found = flown_against_fastest(given | {"best_set": close})
    assert found.split == Split(0.0, 1.0, 0.0)
    assert found.worst is not None
    assert not found.worst.clear


def test_a_set_without_a_surface_is_not_judged_rather_than_lossless() -> None:
    found = flown_against_fastest(flown_tables("third"))
    assert (found.steady_minutes, found.split.judged) == (1.0, 0.0)
    assert found.loss_pct is found.worst is found.days[0].loss_pct is None
    assert found.sets[0].steady_minutes == 1.0


def test_records_do_not_depend_on_the_order_of_rows(tables: Tables, boat: Boat, designed: pl.DataFrame) -> None:
    turned = {name: frame if name in ("flags", "thresholds") else frame.reverse() for name, frame in tables.items()}
    assert measured_chart(turned, boat, designed) == measured_chart(tables, boat, designed)
    assert ledger(turned) == ledger(tables)
    assert speed_curves(turned) == speed_curves(tables)
    assert changes(turned).by_angle == changes(tables).by_angle
    assert time_lines(turned) == time_lines(tables)
    assert flown_against_fastest(turned).sets == flown_against_fastest(tables).sets

"""What figures show is what the tables hold: drawings measured in their own coordinates, Plotly data as they are."""

from __future__ import annotations

import json
import re
from collections import Counter

import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.figures.chart_drawing import WIDE, draw_chart
from pipeline.reporting.figures.curve_drawing import draw_panel
from pipeline.reporting.figures.interactive import live_chart, live_curves
from pipeline.reporting.figures.range_drawing import WIDTH, draw_range, scale_of
from pipeline.reporting.figures.shift_drawing import draw_shift, widest_shift
from pipeline.reporting.figures.trade_off_drawing import draw_trade_off
from pipeline.reporting.figures.trade_off_live import live_trade_off
from pipeline.reporting.palette import palette_for
from pipeline.reporting.records.changes import changes
from pipeline.reporting.records.chart import measured_chart
from pipeline.reporting.records.curves import speed_curves
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import ledger
from pipeline.reporting.records.lists import lists
from tests.reporting.conftest import SETS

Tables = dict[str, pl.DataFrame]
PALETTE = palette_for(SETS)


@pytest.fixture(scope="module")
def whole(tables: Tables) -> Tables:
    return complete(tables)


def shown_scale(svg: str, anchor: str) -> tuple[float, float]:
    """Slope and zero of an axis, from its own tick labels: place = zero + slope x value."""
    ticks = re.findall(rf'<text x="([\d.]+)" y="([\d.]+)" class="tick" text-anchor="{anchor}">(-?[\d.]+)°?</text>', svg)
    points = [(float(v), float(x) if anchor == "middle" else float(y) - 4.0) for x, y, v in ticks]
    (v0, p0), (v1, p1) = points[0], points[-1]
    slope = (p1 - p0) / (v1 - v0)
    return slope, p0 - slope * v0


def test_areas_of_the_chart_are_the_cells_of_best_set(whole: Tables, boat: Boat) -> None:
    chart = measured_chart(whole, boat, None)
    svg = str(draw_chart(chart, PALETTE, narrow=False))
    across, _ = shown_scale(svg, "middle")
    down, _ = shown_scale(svg, "end")
    cell = abs(across * chart.tws_step_kn * down * chart.twa_step_deg)
    best = whole["best_set"].filter(pl.col("verdict") != "unsailed")
    for name in SETS:
        style = PALETTE.of(name)
        cells = {style.fill: 0.0, style.pale: 0.0}
        for path, fill in re.findall(r'<path d="([^"]+)" fill="(#\w{6})" class="area"', svg):
            if fill in cells:
                for x0, y0, x1, y1 in re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)", path):
                    cells[fill] += abs((float(x1) - float(x0)) * (float(y1) - float(y0))) / cell
        own = best.filter(best_set=name)
        clear = own.filter(verdict="clear").height
        assert cells[style.fill] == pytest.approx(clear, rel=0.01, abs=0.05)
        # Cells at 180 degrees are cut in half by the frame.
        edge = own.filter(pl.col("twa_deg") >= 180).height
        assert cells[style.pale] == pytest.approx(own.height - clear, rel=0.02, abs=0.05 + edge / 2)
    assert f"0 0 {WIDE[0]:.0f} {WIDE[1]:.0f}" in svg


def test_the_chart_to_hover_in_tells_each_cell_as_the_table_does(whole: Tables, boat: Boat) -> None:
    chart = measured_chart(whole, boat, None)
    figure = json.loads(str(live_chart(chart, [], [], PALETTE, with_design=False)))
    sheet = next(t for t in figure["choices"][0]["data"] if t["type"] == "heatmap")
    told = {
        (w, a): cell
        for a, row in zip(sheet["y"], sheet["customdata"], strict=True)
        for w, cell in zip(sheet["x"], row, strict=True)
        if cell is not None
    }
    sailed = whole["best_set"].filter(pl.col("verdict") != "unsailed").to_dicts()
    assert set(told) == {(r["tws_kn"], r["twa_deg"]) for r in sailed}
    for r in sailed:
        name, more = told[r["tws_kn"], r["twa_deg"]]
        assert name == r["best_set"]
        if r["probability"] is not None:
            assert f"probability of being fastest {r['probability']:.2f}" in more
            assert f"{r['margin_pct']:.1f} % behind" in more and r["runner_up"] in more


def test_crossings_to_hover_in_are_those_of_the_table(whole: Tables, boat: Boat) -> None:
    found = changes(whole)
    crossings = [c for s in (*found.by_angle, *found.by_wind) for c in s.changes]
    figure = json.loads(str(live_chart(measured_chart(whole, boat, None), crossings, [], PALETTE, with_design=False)))
    trace = next(t for t in figure["choices"][0]["data"] if t.get("name") == "crossing")
    fixed = whole["crossovers"].filter(pl.col("mode") == "fixed-angle").drop_nulls("crossing")
    known = Counter(
        (round(r["crossing"], 6), r["at"]) if r["along"] == "tws_kn" else (r["at"], round(r["crossing"], 6))
        for r in fixed.to_dicts()
    )
    drawn = Counter((round(x, 6), round(y, 6)) for x, y in zip(trace["x"], trace["y"], strict=True))
    assert drawn and all(known[place] >= n for place, n in drawn.items())


def test_curves_lie_where_the_surfaces_are(whole: Tables) -> None:
    curves = speed_curves(whole)
    panel = curves.chosen[0]
    svg = str(draw_panel(panel, curves, PALETTE))
    across, left = shown_scale(svg, "middle")
    down, top = shown_scale(svg, "end")
    rows = whole["surfaces"].filter(tws_kn=panel.tws_kn, supported=True)
    lines = {
        ink: re.findall(r"([\d.]+) ([\d.]+)", path)
        for path, ink in re.findall(r'<path d="M([^"Z]+)" fill="none" stroke="(#\w{6})" stroke-width="2.2"', svg)
    }
    for curve in panel.curves:
        own = rows.filter(sail_set=curve.sail_set).sort("twa_deg")
        points = lines[PALETTE.of(curve.sail_set).ink]
        assert len(points) == own.height > 3
        for (x, y), r in zip(points, own.to_dicts(), strict=True):
            assert (float(x) - left) / across == pytest.approx(r["twa_deg"], abs=0.3)
            assert (float(y) - top) / down == pytest.approx(r["bsp_kn"], abs=0.02)
    whole_live = json.loads(str(live_curves(curves, PALETTE)))
    dots = [t for c in whole_live["choices"] if c["label"] == f"{panel.tws_kn:g} kn" for t in c["data"]]
    assert sum(len(t["x"]) for t in dots if t["mode"] == "markers") == len(panel.dots)


def test_the_trade_off_is_the_table_of_lists(whole: Tables, boat: Boat) -> None:
    curve = lists(whole, boat).curve
    live = json.loads(str(live_trade_off(curve)))["choices"][0]["data"][0]
    assert live["y"] == [p.loss_s for p in curve.points]
    known = {(r["weight_kg"], r["loss_s_per_nm"]) for r in whole["sail_lists"].to_dicts()}
    if curve.by_weight:
        assert {(x, y) for x, y in zip(live["x"], live["y"], strict=True)} <= known
    svg = str(draw_trade_off(curve, narrow=False))
    down, top = shown_scale(svg, "end")
    dots = [float(y) for y in re.findall(r'<circle cx="[\d.]+" cy="([\d.]+)" r="4"', svg)]
    assert [(y - top) / down for y in dots] == pytest.approx([p.loss_s for p in curve.points], abs=0.02)


def test_chips_stand_at_their_figures(whole: Tables) -> None:
    rows = [r for r in ledger(whole).rows if r.shift is not None]
    assert len(rows) > 3
    for row in rows:
        half = widest_shift(rows, row.along)
        svg = str(draw_shift(row, half))
        (x,) = re.findall(r'<circle cx="([\d.]+)"', svg)
        assert (float(x) - WIDTH / 2) / (WIDTH / 2 - 6) * half == pytest.approx(row.shift, abs=0.01 * half)
    scale = scale_of([-2.0, 4.0, 8.0])
    svg = str(draw_range(4.0, -2.0, 8.0, scale, "s", sure=True))
    place = {v: 6 + (v + 2) / 10 * (WIDTH - 12) for v in (-2.0, 0.0, 4.0, 8.0)}
    assert float(re.findall(r'<circle cx="([\d.]+)"', svg)[0]) == pytest.approx(place[4.0], abs=0.06)
    ends = re.findall(r'<line x1="([\d.]+)" y1="9" x2="([\d.]+)" y2="9" stroke="#1f4e8c"', svg)[0]
    assert [float(e) for e in ends] == pytest.approx([place[-2.0], place[8.0]], abs=0.06)

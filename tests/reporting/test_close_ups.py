"""Close-ups of borders: the numbers of the tables, whichever way round they hold a pair, and what is drawn of them."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest

from pipeline.reporting.figures.close_up_drawing import BOTTOM, LEFT, LOWER, MIDDLE, RIGHT, TOP, draw_slice
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.palette import palette_for
from pipeline.reporting.records.close_ups import MOST_DOTS, CloseUp, Spot, close_up, close_up_of_row
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import ledger
from tests.reporting.conftest import SETS

Tables = dict[str, pl.DataFrame]
SPOT = Spot(at=60.0, designed=13.0, measured=14.5, low=13.6, high=None)


def shown(tables: Tables, set_a: str = "J1", set_b: str = "J2") -> CloseUp:
    found = close_up(complete(tables), set_a, set_b, "tws_kn", [SPOT])
    assert found is not None
    return found


def test_nodes_are_the_rows_of_the_tables(tables: Tables) -> None:
    nodes = shown(tables).slices[0].nodes
    surface = {
        (s, w): (v, low, high)
        for s, w, v, low, high in tables["surfaces"]
        .filter(twa_deg=60.0)
        .select("sail_set", "tws_kn", "bsp_kn", "bsp_low_kn", "bsp_high_kn")
        .iter_rows()
    }
    ahead = {r["tws_kn"]: r for r in tables["set_differences"].filter(set_a="J1", set_b="J2", twa_deg=60.0).to_dicts()}
    assert [n.x for n in nodes] == [9.0 + k for k in range(len(nodes))] and nodes[-1].x == 18.0
    for n in nodes:
        assert n.a is not None and n.b is not None
        assert (n.a.bsp_kn, n.a.low_kn, n.a.high_kn) == surface["J1", n.x]
        assert (n.b.bsp_kn, n.b.low_kn, n.b.high_kn) == surface["J2", n.x]
        told = ahead[n.x]
        assert (n.difference_pct, n.low_pct, n.high_pct) == (told["difference_pct"], told["low_pct"], told["high_pct"])
        assert n.supported == told["supported"]


def test_a_pair_that_the_table_holds_the_other_way_round_is_turned(tables: Tables) -> None:
    straight, turned = shown(tables).slices[0].nodes, shown(tables, "J2", "J1").slices[0].nodes
    for one, other in zip(straight, turned, strict=True):
        assert one.difference_pct is not None and other.difference_pct is not None and one.chance is not None
        assert (1 + one.difference_pct / 100) * (1 + other.difference_pct / 100) == pytest.approx(1.0)
        assert (1 + one.low_pct / 100) * (1 + other.high_pct / 100) == pytest.approx(1.0)  # type: ignore[operator]
        assert other.chance == pytest.approx(1.0 - one.chance)
        assert (one.a, one.b) == (other.b, other.a)


def test_windows_behind_are_those_near_the_line(tables: Tables) -> None:
    part = shown(tables).slices[0]
    near = tables["windows"].filter(
        (pl.col("twa_deg").abs() - 60.0).abs() <= 5.0, pl.col("tws_kn").is_between(part.nodes[0].x, part.nodes[-1].x)
    )
    counts = tuple(near.filter(sail_set=s).height for s in ("J1", "J2"))
    assert part.windows == counts and sum(counts) == len(part.dots) > 3 and not part.thinned
    many = tables | {"windows": pl.concat([tables["windows"]] * 12)}
    thinned = shown(many).slices[0]
    assert thinned.windows == tuple(12 * c for c in counts) and len(thinned.dots) <= MOST_DOTS and thinned.thinned


def test_drawing_stands_where_its_numbers_are(tables: Tables) -> None:
    found = shown(tables)
    part = found.slices[0]
    svg = str(draw_slice(found, part, palette_for(SETS), Numbers()))
    assert "measured 14.5 kn" in svg and "designed 13.0 kn" in svg
    x = {
        n.x: LEFT + (RIGHT - LEFT) * (n.x - part.nodes[0].x) / (part.nodes[-1].x - part.nodes[0].x) for n in part.nodes
    }
    # The difference's line: its points lie where the values of the table lie between the frame's ends.
    lines = re.findall(r'<path d="(M[^"Z]+)" fill="none" stroke="#1c2328"', svg)
    drawn = {(float(a), float(b)) for line in lines for a, b in re.findall(r"([\d.]+) ([\d.]+)", line)}
    ticks = [
        (float(y), t) for y, t in re.findall(r'x="35" y="([\d.]+)" class="tick" text-anchor="end">([+−]?\d+)<', svg)
    ]
    zero = next(y for y, t in ticks if t == "0" and y > LOWER) - 4
    one, per = next((y - 4, float(t)) for y, t in ticks if t.startswith("+"))
    for n in part.nodes:
        level = zero + (one - zero) * n.difference_pct / per  # type: ignore[operator]
        assert min(abs(a - x[n.x]) + abs(b - level) for a, b in drawn) < 0.5, n
    # An open side is shaded to the frame, a closed one to its end.
    shade = re.findall(r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)" fill="#1f4e8c"', svg)
    assert len(shade) == 2
    start = LEFT + (RIGHT - LEFT) * (13.6 - part.nodes[0].x) / (part.nodes[-1].x - part.nodes[0].x)
    for left, top, width, height in (map(float, s) for s in shade):
        assert left == pytest.approx(start, abs=0.06) and left + width == pytest.approx(RIGHT, abs=0.11)
        assert (top, height) in ((TOP, MIDDLE - TOP), (LOWER, BOTTOM - LOWER))


def test_every_node_tells_its_numbers_on_hover(tables: Tables) -> None:
    found = shown(tables)
    svg = str(draw_slice(found, found.slices[0], palette_for(SETS), Numbers()))
    said = re.findall(r"<title>([^<]+)</title>", svg)
    assert len(said) == len(found.slices[0].nodes)
    first = found.slices[0].nodes[0]
    assert first.a is not None and said[0].startswith(f"9 kn: J1 {first.a.bsp_kn:.2f} kn (")


def test_ledger_rows_are_shown_at_three_places_and_blank_where_nothing_is_known(tables: Tables) -> None:
    whole = complete(tables)
    row = max(ledger(whole).rows, key=lambda r: r.number("moved"))
    found = close_up_of_row(whole, row)
    assert found is not None and len(found.slices) == 3
    moved = {p.at for p in row.points if p.state == "moved"}
    assert {s.spot.at for s in found.slices} <= moved
    for s in found.slices:
        point = next(p for p in row.points if p.at == s.spot.at)
        assert (s.spot.designed, s.spot.measured) == (point.designed, point.measured)
    assert close_up_of_row(whole, replace(row, points=())) is None
    bare = complete({"windows": tables["windows"]})
    assert close_up_of_row(bare, row) is None

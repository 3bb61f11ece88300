"""Evidence behind the stretches of races: the records, and what is drawn of them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.figures.race_drawing import BASE, draw_race
from pipeline.reporting.figures.track_drawing import draw_course, draw_evidence
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.pages import write_pages
from pipeline.reporting.palette import palette_for
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.race_courses import AROUND, Evidence, RaceCourse, evidence, picks, race_courses
from pipeline.reporting.records.races import MOST_STRETCHES, races
from tests.reporting.conftest import SETS
from tests.reporting.decided import BEGIN

Tables = dict[str, pl.DataFrame]
PALETTE = palette_for(SETS)


@pytest.fixture(scope="module")
def found(tables: Tables) -> tuple[tuple[RaceCourse, ...], tuple[Evidence, ...]]:
    whole = complete(tables)
    raced = races(whole)
    return race_courses(whole, raced), evidence(whole, raced)


def test_every_ranked_stretch_has_its_evidence(tables: Tables, found: tuple) -> None:
    _, behind = found
    lost = tables["race_review"].filter(pl.col("loss_s") > 0).sort("loss_s", descending=True)
    assert len(behind) == min(MOST_STRETCHES, lost.height)
    assert [e.key for e in behind] == [f"s{k}" for k in range(1, len(behind) + 1)]
    for e, row in zip(behind, lost.iter_rows(named=True), strict=False):
        assert e.stretch.loss_s == row["loss_s"]
        assert e.slice is not None and (e.slice.spot.at, e.slice.spot.sailed) == (14.0, 60.0)
        wind = e.wind
        assert {p.time for p in wind} == {
            t
            for t in tables["race_tracks"].filter(race=e.stretch.race)["time"]
            if e.stretch.start - AROUND <= t <= e.stretch.end + AROUND
        }


def test_the_wind_of_a_stretch_is_drawn_across_north_without_a_jump(found: tuple) -> None:
    behind = next(e for e in found[1] if e.stretch.start - BEGIN > timedelta(minutes=15) and e.stretch.race == "race 1")
    assert any(p.twd_deg > 300 for p in behind.track.points) and any(p.twd_deg < 60 for p in behind.track.points)
    svg = str(draw_evidence(behind, PALETTE))
    lines = re.findall(r'd="M([^"]+)" fill="none" stroke="#1c2328" stroke-width="1.6"', svg)
    assert len(lines) == 2
    for line in lines:
        levels = [float(p.split(" ")[1]) for p in line.split("L")]
        assert max(abs(a - b) for a, b in pairwise(levels)) < 5.0


def test_reckoned_and_unknown_places_are_said(found: tuple) -> None:
    said = {e.stretch.race: str(draw_evidence(e, PALETTE)) for e in found[1]}
    assert "reckoned" not in said["race 1"]
    assert "reckoned" in said["race 2"]
    assert "the place is not known" in said["race 3"]
    assert [draw_course(c, PALETTE) is None for c in found[0]] == [c.race == "race 3" for c in found[0]]


def test_columns_of_a_race_are_the_losses_of_the_table(tables: Tables, found: tuple) -> None:
    for course in found[0]:
        rows = tables["race_review"].filter(race=course.race).sort("start").to_dicts()
        assert [(g.start, g.end, g.loss_s) for g in course.legs] == [(r["start"], r["end"], r["loss_s"]) for r in rows]
        svg = str(draw_race(course, PALETTE, narrow=False))
        columns = re.findall(
            r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"[^>]*><title>([^<]+)', svg
        )
        heights = {t[:14]: float(h) for _, _, _, h, t in columns if "s lost" in t and float(h) > 0.7}
        known = {f"{g.start:%H:%M} to {g.end:%H:%M}": g.loss_s for g in course.legs if g.loss_s}
        assert heights.keys() == known.keys()
        scale = {t: heights[t] / known[t] for t in known}
        assert max(scale.values()) == pytest.approx(min(scale.values()), rel=0.03)
        assert all(float(y) + float(h) == pytest.approx(BASE, abs=0.11) for _, y, _, h, t in columns if "s lost" in t)


def test_picks_join_table_race_course_chart_and_sessions(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    write_pages(tables, boat, tmp_path)
    page = (tmp_path / "analyst.html").read_text(encoding="utf-8")
    dearest = picks(races(complete(tables)), Numbers())[0]
    marks = re.findall(rf'<(\w+)[^>]* data-pick="{dearest.key}"', page)
    # Its row; the columns wide and narrow; rings on the chart wide and narrow; frames on the session wide and narrow.
    assert marks.count("tr") == 1 and marks.count("circle") == 2 and marks.count("rect") == 4
    assert f'data-open="{dearest.key}"' in page
    placed = next(p for p in picks(races(complete(tables)), Numbers()) if p.start < BEGIN + timedelta(hours=1))
    assert re.findall(rf'<path[^>]* data-pick="{placed.key}"', page)


def test_races_of_one_name_are_kept_apart(tables: Tables) -> None:
    renamed = {
        n: tables[n].with_columns(race=pl.lit("again").cast(pl.String))
        for n in ("race_review", "race_totals", "race_tracks")
    }
    whole = complete(tables | renamed)
    raced = races(whole)
    courses, behind = race_courses(whole, raced), evidence(whole, raced)
    days = {c.start.date() for c in courses}
    assert len(days) == len(courses) == 3
    assert all(g.start.date() == c.start.date() for c in courses for g in c.legs)
    for e in behind:
        assert {p.time.date() for p in e.track.points} == {e.stretch.start.date()}


def test_nothing_is_drawn_of_races_that_nobody_logged() -> None:
    whole = complete({})
    raced = races(
        whole, pl.DataFrame({"name": ["x"], "start": [datetime(2027, 1, 1)], "finish": [datetime(2027, 1, 2)]})
    )
    assert race_courses(whole, raced) == () and evidence(whole, raced) == ()

"""The results in Python: README's worked examples on the demo, and the figures as on the pages."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

import pipeline
from pipeline.problems import WrongUsage

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def season(demo: Path) -> pipeline.Results:
    return pipeline.read_results(ROOT / "sample_logs", demo)


def test_the_worked_examples_of_the_readme(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    section = (ROOT / "README.md").read_text("utf-8").split("## In Python")[1].split("\n## ")[0]
    examples = re.findall(r"```python\n(.*?)```", section, re.S)
    assert len(examples) == 3
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "Brindlewake").symlink_to(demo)
    (tmp_path / "sample_logs").symlink_to(ROOT / "sample_logs")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for code in examples:
        exec(compile(code, "README.md", "exec"), names)
    said = capsys.readouterr().out
    assert re.search(r"^\S+, (clearly|but in doubt)", said, re.M) and "measures faster" in said
    assert (tmp_path / "worst_border.svg").is_file() and (tmp_path / "dearest_stretch-2.svg").is_file()
    assert "plotly" in (tmp_path / "chart.html").read_text("utf-8").lower()


def test_drawings_are_those_of_the_pages(season: pipeline.Results, demo: Path) -> None:
    page = (demo / "sailmaker.html").read_text("utf-8")
    worst = season.ledger[0].tested[0]
    figures = [season.chart(), season.close_up(worst.set_a, worst.set_b, worst.along), season.trade_off()]
    for drawing in (d for f in figures for d in f.svg):
        bare = re.sub(r"<style>.*?</style>", "", drawing)
        assert bare in page
        assert ET.fromstring(drawing).tag.endswith("svg")
    analyst = (demo / "analyst.html").read_text("utf-8")
    race = season.records.courses[0].race
    for figure in (season.evidence(1), season.race(race)):
        assert all(re.sub(r"<style>.*?</style>", "", d) in analyst for d in figure.svg)
        assert figure._repr_html_().count("<svg") == len(figure.svg) >= 1
    assert re.sub(r"<style>.*?</style>", "", season.strips().svg[0]) in (demo / "coach.html").read_text("utf-8")


def test_figures_to_hover_in_hold_the_numbers_of_the_tables(season: pipeline.Results) -> None:
    surfaces = season.table("surfaces").filter(tws_kn=12, supported=True)
    figure = season.curves().plotly("12 kn")
    lines = {t.name: t for t in figure.data if t.name and t.mode == "lines" and t.hovertemplate}
    assert set(lines) == set(surfaces["sail_set"])
    for name, line in lines.items():
        known = {r["twa_deg"]: r["bsp_kn"] for r in surfaces.filter(sail_set=name).to_dicts()}
        assert all(known[x] == pytest.approx(y, abs=5e-4) for x, y in zip(line.x, line.y, strict=True))


def test_what_is_not_there_is_said(season: pipeline.Results, tmp_path: Path) -> None:
    with pytest.raises(KeyError, match="there are"):
        season.table("surface")
    with pytest.raises(KeyError, match="no border"):
        season.close_up("J1", "no such set", "tws_kn")
    with pytest.raises(KeyError, match="no stretch of rank 0"):
        season.evidence(0)
    with pytest.raises(KeyError, match="not among"):
        season.race("no such race")
    with pytest.raises(ValueError, match="drawn only"):
        season.strips().plotly()
    with pytest.raises(ValueError, match="no choice"):
        season.curves().plotly("1000 kn")
    with pytest.raises(WrongUsage, match="holds no tables"):
        pipeline.read_results(ROOT / "sample_logs", tmp_path)
    assert season.which(100, 90) == ()
    with pytest.raises(AttributeError):
        pipeline.no_such_name  # noqa: B018

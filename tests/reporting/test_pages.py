"""Pages stay whole, escaped and self-contained, whatever the tables hold."""

from __future__ import annotations

import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from pipeline.campaign.settings import UNLOGGED, Boat
from pipeline.reporting.context import ReportContext
from pipeline.reporting.figures.live import json_block
from pipeline.reporting.pages import PAGES, write_pages
from pipeline.reporting.records.caution import CAUTION

Tables = dict[str, pl.DataFrame]
HOSTILE = '<img src=x onerror="alert(1)">&\'"{{7*7}}'
RIGHT_TO_LEFT = "مفرش كبير جداً"
VERY_LONG = "Grand-Voile-" * 30
VOID = {"meta", "link", "br", "img", "hr", "input"}
MOST_BYTES = 2_000_000


class Page(HTMLParser):
    """What a test asks of a page."""

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.headings: list[int] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.tags: Counter[str] = Counter()
        self.unlabelled: list[str] = []
        self.regions: list[str] = []
        self.words: list[str] = []
        self.blocks: list[str] = []
        self.text = path.read_text(encoding="utf-8")
        self.feed(self.text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags[tag] += 1
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if "id" in given:
            self.ids.append(given["id"] or "")
        self.addresses += [given[k] or "" for k in ("href", "src") if k in given]
        if given.get("role") == "region":
            self.regions.append(given.get("aria-label") or "")
        if tag == "svg" and not (given.get("aria-label") or given.get("aria-hidden")):
            self.unlabelled.append(str(given))
        if tag == "th" and "scope" not in given:
            self.unlabelled.append(self.get_starttag_text() or tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        (self.blocks if self.open and self.open[-1] == "script" else self.words).append(data)


def assert_whole(folder: Path) -> dict[str, Page]:
    pages = {}
    for file, _ in PAGES:
        path = folder / file
        page = pages[file] = Page(path)
        assert page.open == [], f"{file}: left open {page.open}"
        assert path.stat().st_size < MOST_BYTES
        assert page.headings[0] == 1
        assert page.headings.count(1) == 1
        steps = [b - a for a, b in zip(page.headings, page.headings[1:], strict=False)]
        assert max(steps) <= 1, f"{file}: a heading level is skipped"
        assert page.unlabelled == []
        assert [r for r, n in Counter(page.regions).items() if n > 1 or not r] == []
        assert [i for i, n in Counter(page.ids).items() if n > 1] == []
        assert not [a for a in page.addresses if re.match(r"(?i)\w+:|//", a) and a != "data:,"]
        for address in page.addresses:
            if address.startswith("assets/"):
                assert (folder / address).is_file()
        assert CAUTION in " ".join("".join(page.words).split())
        for block in page.blocks:
            json.loads(block)
        assert "Content-Security-Policy" in page.text
    return pages


def all_words(page: Page) -> str:
    return " ".join("".join(page.words).split())


@pytest.fixture(scope="module")
def folder(tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("pages")
    write_pages(tables, boat, out, designed=designed, context=ReportContext(invented=True))
    return out


def test_pages_are_whole_and_reach_nothing_outside(folder: Path) -> None:
    pages = assert_whole(folder)
    assert sorted(p.name for p in folder.iterdir()) == [
        "analyst.html",
        "assets",
        "calibration.html",
        "card.html",
        "coach.html",
        "index.html",
        "sailmaker.html",
    ]
    assets = sorted(p.name for p in (folder / "assets").iterdir())
    assert assets == ["plotly.min.js", "report.css", "report.js"]
    assert all("figures are invented" in all_words(p) for p in pages.values())


def test_every_written_file_is_named(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    written = write_pages(tables, boat, tmp_path)
    assert sorted(written) == sorted(p for p in tmp_path.rglob("*") if p.is_file())


def test_each_page_opens_with_its_answer(folder: Path) -> None:
    for file, _ in PAGES:
        text = (folder / file).read_text(encoding="utf-8")
        assert text.index('id="answer"') < text.index("<h2")  # of the caution at the latest


def test_equal_input_gives_equal_bytes(
    folder: Path, tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path: Path
) -> None:
    write_pages(tables, boat, tmp_path, designed=designed, context=ReportContext(invented=True))
    for file, _ in PAGES:
        assert (tmp_path / file).read_bytes() == (folder / file).read_bytes()


def test_the_shared_script_is_plotlys_own_and_stands_once(folder: Path) -> None:
    for file, _ in PAGES:
        assert (folder / file).read_text(encoding="utf-8").count("plotly.min.js") <= 1
    assert (folder / "assets" / "plotly.min.js").stat().st_size > 1_000_000


def test_interactive_curves_hold_the_numbers_of_the_surfaces(folder: Path, tables: Tables) -> None:
    text = (folder / "sailmaker.html").read_text(encoding="utf-8")
    block = re.search(r'<script type="application/json" id="curves-data">(.*?)</script>', text, re.S)
    assert block
    choice = next(c for c in json.loads(block[1])["choices"] if c["label"] == "12 kn")
    line = next(t for t in choice["data"] if t.get("name") == "G1" and t["mode"] == "lines")
    rows = tables["surfaces"].filter((pl.col("sail_set") == "G1") & (pl.col("tws_kn") == 12) & pl.col("supported"))
    assert line["x"] == rows["twa_deg"].to_list()
    assert line["y"] == pytest.approx(rows["bsp_kn"].to_list(), abs=5e-4)


def test_no_script_offers_to_send_the_data_away(folder: Path) -> None:
    script = (folder / "assets" / "report.js").read_text(encoding="utf-8")
    buttons = re.search(r"modeBarButtons: \[\[(.*?)\]\]", script)
    assert buttons
    assert buttons[1] == '"toImage", "zoom2d", "pan2d", "resetScale2d"'  # a list of all: no default buttons come along
    assert 'plotlyServerURL: ""' in script


def question(folder: Path) -> dict[str, dict[str, list[str]]]:
    text = (folder / "coach.html").read_text(encoding="utf-8")
    block = re.search(r'<script type="application/json" id="lookup-data">(.*?)</script>', text, re.S)
    assert block
    found = json.loads(block[1])
    signs = {0xE000 + k: name for k, name in enumerate(found["names"])}
    found["places"] = {at: [s.translate(signs) for s in said] for at, said in found["places"].items()}
    return found


def test_the_question_box_knows_every_sailed_place_and_no_other(folder: Path, tables: Tables) -> None:
    sailed = tables["best_set"].filter(pl.col("verdict") != "unsailed")
    keys = {f"{round(w)} {round(a / 5)}" for w, a in sailed.select("tws_kn", "twa_deg").iter_rows()}
    assert set(question(folder)["places"]) == keys


def test_which_set_at_14_kn_and_75_degrees(folder: Path, tables: Tables) -> None:
    here = (pl.col("tws_kn") == 14) & (pl.col("twa_deg") == 75)
    best = tables["best_set"].filter(here).row(0, named=True)
    lead, *speeds = question(folder)["places"]["14 15"]
    assert lead.startswith(f"{best['best_set']}, ")
    assert f"ahead of {best['runner_up']} (probability {100 * best['probability']:.0f} %)" in lead
    measured = tables["surfaces"].filter(here & pl.col("supported")).sort("bsp_kn", descending=True)
    assert [s.split(" kn")[0] for s in speeds] == [
        f"{r['sail_set']} {r['bsp_kn']:.1f}" for r in measured.iter_rows(named=True)
    ]


def test_the_chart_stands_as_a_table_too(folder: Path, tables: Tables) -> None:
    words = all_words(Page(folder / "coach.html"))
    row = tables["best_set"].filter((pl.col("twa_deg") == 110) & (pl.col("tws_kn") == 18)).row(0, named=True)
    assert row["verdict"] == "clear"
    assert "Every wind and angle" in words
    assert f"<bdi>{row['best_set']}</bdi>" in (folder / "coach.html").read_text(encoding="utf-8")


def test_tables_are_linked_only_where_they_exist(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    write_pages({"windows": tables["windows"]}, boat, tmp_path)
    links = [a for a in Page(tmp_path / "analyst.html").addresses if a.startswith("tables/")]
    assert set(links) == {"tables/windows.csv"}


def test_no_design_no_races_no_borders(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    some = {k: v for k, v in tables.items() if k not in ("design_comparison", "crossovers")}
    write_pages(some, boat, tmp_path)
    pages = assert_whole(tmp_path)
    assert "No designed chart was given" in all_words(pages["sailmaker.html"])
    assert "Dashed" not in all_words(pages["sailmaker.html"])
    assert "No border" in all_words(pages["coach.html"])


def test_a_season_without_a_sail_log(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    one = pl.lit(UNLOGGED).alias("sail_set")
    surfaces = tables["surfaces"].filter(pl.col("sail_set") == "J1").with_columns(one)
    best = (
        surfaces.filter("supported")
        .select("tws_kn", "twa_deg", best_set="sail_set")
        .with_columns(
            probability=pl.lit(None, pl.Float64), margin_pct=pl.lit(None, pl.Float64), runner_up=pl.lit(None, pl.String)
        )
        .with_columns(verdict=pl.lit("close"))
    )
    some = {k: tables[k] for k in ("files", "flags", "thresholds", "rejected")}
    some |= {"windows": tables["windows"].with_columns(one), "segments": tables["segments"].with_columns(one)}
    write_pages(some | {"surfaces": surfaces, "best_set": best}, boat, tmp_path)
    pages = assert_whole(tmp_path)
    assert "Without a sail log" in all_words(pages["coach.html"])
    assert "cannot be said" in all_words(pages["analyst.html"])
    assert "There was no sail log" in all_words(pages["index.html"])


def test_nothing_at_all(boat: Boat, designed: pl.DataFrame, tmp_path: Path) -> None:
    write_pages({}, boat, tmp_path / "a")
    pages = assert_whole(tmp_path / "a")
    assert "No log file was read." in all_words(pages["analyst.html"])
    assert "Nothing was sailed steadily" in all_words(pages["coach.html"])
    write_pages({}, boat, tmp_path / "b", designed=designed)
    assert "nothing of it is tested" in all_words(assert_whole(tmp_path / "b")["sailmaker.html"])


@pytest.mark.parametrize("name", [HOSTILE, RIGHT_TO_LEFT, VERY_LONG, "=HYPERLINK(1)", "</script><script>alert(1)"])
def test_names_are_escaped_and_whole(
    name: str, tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path: Path
) -> None:
    def renamed(frame: pl.DataFrame) -> pl.DataFrame:
        columns = [c for c in ("sail_set", "best_set", "runner_up", "set_a", "set_b", "file") if c in frame.columns]
        return frame.with_columns(
            pl.when(pl.col(c) == pl.col(c).max()).then(pl.lit(name)).otherwise(c).alias(c) for c in columns
        )

    campaign = Boat(name=name, loa_m=10.0, instruments=boat.instruments)
    write_pages({k: renamed(v) for k, v in tables.items()}, campaign, tmp_path, designed=renamed(designed))
    for page in assert_whole(tmp_path).values():
        assert " ".join(name.split()) in all_words(page)
        assert page.tags["img"] == 0
        assert page.tags["script"] == page.text.count("<script")
        assert "<script>alert" not in page.text
        assert "49" not in all_words(page).split(name)[0][-4:]


def test_one_set_only(tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path: Path) -> None:
    some = {}
    for name, frame in tables.items():
        own = frame.filter(pl.col("sail_set") == "J1") if "sail_set" in frame.columns else frame
        some[name] = own.clear() if "set_a" in frame.columns else own
    some["best_set"] = (
        some["surfaces"]
        .filter("supported")
        .select("tws_kn", "twa_deg", best_set="sail_set")
        .with_columns(
            verdict=pl.lit("close"),
            probability=pl.lit(None, pl.Float64),
            margin_pct=pl.lit(None, pl.Float64),
            runner_up=pl.lit(None, pl.String),
        )
    )
    write_pages(some, boat, tmp_path, designed=designed.filter(pl.col("sail_set") == "J1"))
    pages = assert_whole(tmp_path)
    assert "No border between two sets could be measured" in all_words(pages["coach.html"])
    assert "No steady time can be judged" in all_words(pages["analyst.html"])


def test_a_season_of_one_hour_with_a_single_window(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    some = {"windows": tables["windows"].head(1), "segments": tables["segments"].head(1), "files": tables["files"]}
    write_pages(some, boat, tmp_path)
    pages = assert_whole(tmp_path)
    assert "1 steady window kept" in all_words(pages["index.html"])
    assert "No sail set was sailed steadily often enough" in all_words(pages["analyst.html"])


def test_hundreds_of_sessions_keep_the_pages_light(
    tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path: Path
) -> None:
    def repeated(frame: pl.DataFrame) -> pl.DataFrame:
        times = [c for c in ("start", "end") if c in frame.columns]
        if not times:
            return frame
        parts = []
        for k in range(50):
            part = frame.with_columns(pl.col(c) + pl.duration(days=7 * k) for c in times)
            parts.append(part.with_columns(pl.col("session") + 10 * k) if "session" in part.columns else part)
        return pl.concat(parts)

    files = pl.concat([tables["files"].with_columns(file=pl.col("file") + str(k)) for k in range(150)])
    races = pl.DataFrame({"name": [f"race {i}" for i in range(300)]}).with_columns(
        start=tables["segments"]["start"].min(), finish=tables["segments"]["end"].max()
    )
    many = {k: repeated(v) for k, v in tables.items()} | {"files": files}
    write_pages(many, boat, tmp_path, designed=designed, races=races)
    pages = assert_whole(tmp_path)
    assert "The 16 longest sessions of 300 are drawn." in all_words(pages["analyst.html"])
    assert "The first 100 of 300 files" in all_words(pages["analyst.html"])


def test_json_blocks_cannot_end_their_element() -> None:
    text = json_block({"a": "</script>&\u2028"})
    assert "<" not in text
    assert json.loads(text) == {"a": "</script>&\u2028"}

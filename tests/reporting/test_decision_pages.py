"""The decisions on the pages: where they stand, with large, empty and hostile tables."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.pages import PAGES, write_pages
from pipeline.reporting.palette import SET_COLUMNS
from pipeline.reporting.records.caution import CAUTION
from pipeline.reporting.records.frames import DECISIONS
from tests.reporting.decided import make_card, make_change_review, make_review, make_totals
from tests.reporting.test_pages import HOSTILE, RIGHT_TO_LEFT, VERY_LONG, Page, all_words, assert_whole

Tables = dict[str, pl.DataFrame]
WORDS = (
    *SET_COLUMNS,
    "race",
    "sail",
    "sails",
    "left_ashore",
    "covered_by",
    "gained_from",
    "lost_to",
    "frees",
    "sets",
    "note",
)
HOSTILE_NAMES = [HOSTILE, RIGHT_TO_LEFT, VERY_LONG, "=HYPERLINK(1)", "</script><script>alert(1)", "a b  c"]


@pytest.fixture(scope="module")
def pages(
    tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Page]:
    out = tmp_path_factory.mktemp("decided")
    write_pages(tables, boat, out, designed=designed)
    return assert_whole(out)


def headings(page: Page) -> list[str]:
    return [re.sub(r"<[^>]*>", "", h) for h in re.findall(r"<h2[^>]*>(.*?)</h2>", page.text, re.S)]


def test_each_reader_finds_the_decisions_in_the_order_of_use(pages: dict[str, Page]) -> None:
    coach, sailmaker = headings(pages["coach.html"]), headings(pages["sailmaker.html"])
    assert coach[1:5] == ["The card", "What a change costs", "How far beyond the border", "What to practise next"]
    analyst = headings(pages["analyst.html"])
    assert analyst[0] == "Stretches of the races by loss"
    then = ["Calibration before and after", "What the data are worth", "The sail log held against the speeds"]
    then += ["Tacks, gybes and roundings", "What the fit leaves over"]
    assert [h for h in analyst if h in then] == then
    after = ["What each sail is worth", "Which sails to take", "Gaps in the chart", "Rules broken"]
    after += ["Which areas grew or shrank", "Is a neighbour needed", "Speed against the prediction"]
    start = sailmaker.index("Ledger of designed borders")
    assert sailmaker[start + 2 : start + 9] == after


def test_what_stands_on_this_page_is_on_it(pages: dict[str, Page]) -> None:
    for page in pages.values():
        inside = {a[1:] for a in page.addresses if a.startswith("#")}
        assert inside <= set(page.ids)


def test_every_page_carries_the_caution_and_links_to_all_tables(pages: dict[str, Page]) -> None:
    for file, _ in PAGES:
        assert CAUTION in all_words(pages[file])
    linked = {a for a in pages["analyst.html"].addresses if a.startswith("tables/")}
    assert {f"tables/{name}.csv" for name in DECISIONS} <= linked


def test_the_index_leads_to_card_races_and_inventory(pages: dict[str, Page]) -> None:
    index = pages["index.html"]
    for address in ("card.html", "analyst.html#races", "sailmaker.html#inventory"):
        assert address in index.addresses
    assert "4 lines for the bulkhead" in all_words(index)
    assert "237 s were lost" in all_words(index)
    assert "leave J2 ashore" in all_words(index)
    assert 'id="races"' in pages["analyst.html"].text
    assert 'id="inventory"' in pages["sailmaker.html"].text


def test_links_within_the_pages_lead_somewhere(pages: dict[str, Page]) -> None:
    for file, page in pages.items():
        for address in page.addresses:
            target, _, place = address.partition("#")
            if place:
                assert place in pages[target or file].ids


def test_the_same_card_stands_on_its_page_and_the_coachs(pages: dict[str, Page]) -> None:
    tables = [re.search(r'<table class="card">.*?</table>', pages[p].text, re.S) for p in ("card.html", "coach.html")]
    assert tables[0] and tables[1]
    assert tables[0][0] == tables[1][0]
    words = all_words(pages["card.html"])
    assert "G1 16 kn" in words  # the maker's limit
    assert "× 70°" in words  # beyond it


CAPTIONED = {
    "card.html": ("card",),
    "coach.html": ("card", "change_costs", "change_rules", "test_plan"),
    "analyst.html": (
        *("race_totals", "race_review", "change_review", "tag_audit", "change_times", "manoeuvres", "beyond_limits"),
        "change_costs",
    ),
    "sailmaker.html": (
        *("area_changes", "set_overlap", "speed_comparison", "inventory", "sail_lists", "chart_gaps", "rule_breaks"),
    ),
}


@pytest.mark.parametrize("file", CAPTIONED)
def test_every_table_of_figures_says_what_it_shows(file: str, pages: dict[str, Page]) -> None:
    captions = re.findall(r"<caption>(.*?)</caption>", pages[file].text, re.S)
    for name in CAPTIONED[file]:
        (mine,) = [c for c in captions if f'"tables/{name}.csv"' in c]
        assert len(re.sub(r"<[^>]*>", "", mine)) > 100


def test_what_nobody_may_overlook_is_said(pages: dict[str, Page]) -> None:
    assert "Nothing was renamed." in all_words(pages["analyst.html"])
    assert re.search(r"<bdi>MN</bdi> <span[^>]*>required</span>", pages["sailmaker.html"].text)
    assert "perhaps J2" in all_words(pages["analyst.html"])  # the audit's doubt beside a stretch of a race


def test_trade_off_is_drawn_for_both_widths_and_to_hover(pages: dict[str, Page]) -> None:
    text = pages["sailmaker.html"].text
    assert text.count("Loss against weight of the sails aboard, 3 lists") == 2
    assert text.count('id="trade-off-data"') == 1


def test_marks_beyond_limits_are_hatched_not_coloured_alone(pages: dict[str, Page]) -> None:
    for file in ("index.html", "sailmaker.html", "analyst.html"):
        assert re.search(r'<pattern id="chart[wn]limit"', pages[file].text)
        assert "beyond the maker's limit of" in all_words(pages[file])


def test_without_decisions_every_part_says_why_it_is_empty(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    write_pages({k: v for k, v in tables.items() if k not in DECISIONS}, boat, tmp_path)
    pages = {file: all_words(page) for file, page in assert_whole(tmp_path).items()}
    for file, sentences in {
        "card.html": ("No border is known well enough for a card",),
        "coach.html": ("No rule can be given", "No test can be proposed", "too few logged changes"),
        "analyst.html": (
            "No races were given",
            "No tack, gybe or rounding",
            "no stretch whose speeds",
            "No stretch was sailed",
        ),
        "sailmaker.html": (
            "No two sets share a measured border",
            "No predicted speeds were given",
            "No sail is declared",
            "No list can be proposed",
            "No gap",
            "breaks a rule",
            "Nowhere on the chart is the fastest set beyond",
        ),
    }.items():
        for sentence in sentences:
            assert sentence in pages[file], (file, sentence)


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_names_in_decisions_are_escaped(name: str, tables: Tables, boat: Boat, tmp_path: Path) -> None:
    def renamed(frame: pl.DataFrame) -> pl.DataFrame:
        columns = [c for c in WORDS if frame.schema.get(c) == pl.String]
        return frame.with_columns(
            pl.when(pl.col(c).is_null()).then(None).otherwise(pl.lit(name)).alias(c) for c in columns
        )

    write_pages(tables | {k: renamed(tables[k]) for k in DECISIONS}, boat, tmp_path)
    for file, page in assert_whole(tmp_path).items():
        assert page.tags["img"] == 0
        assert page.tags["script"] == page.text.count("<script")
        assert "<script>alert" not in page.text
        if file != "calibration.html":
            assert " ".join(name.split()) in all_words(page)


def test_hundreds_of_races_are_counted_not_dumped(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    many = {"race_review": make_review(400), "race_totals": make_totals(400)}
    many["change_review"] = pl.concat([make_change_review()] * 100)
    many |= {
        name: pl.concat([tables[name]] * 100) for name in ("tag_audit", "change_times", "beyond_limits", "rule_breaks")
    }
    write_pages(tables | many, boat, tmp_path)
    words = all_words(assert_whole(tmp_path)["analyst.html"])
    lost = many["race_review"].filter(pl.col("loss_s") > 0).height
    assert f"{lost - 30:,} further stretches".replace(",", " ") in words
    assert "The 60 dearest races; 341 more stand in" in words
    assert "460 further changes" in words
    assert "160 further stretches" in words


def test_a_large_card_names_what_it_leaves_out(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    many = pl.concat(make_card().with_columns(set_a=pl.lit(f"X{k}")) for k in range(20))
    write_pages(tables | {"card": many}, boat, tmp_path)
    page = assert_whole(tmp_path)["card.html"]
    shown = page.text.count('class="n ninety"')
    assert 0 < shown < many.height
    assert f"{many.height - shown} further lines" in all_words(page)

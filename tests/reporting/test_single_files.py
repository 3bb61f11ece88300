"""Pages as single files to send: they hold all they need, lead nowhere, and let only their own scripts run."""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

import pytest

from pipeline.reporting.pages import FIGURE_PAGES, PAGES
from tests.reporting.campaigns import write_small
from tests.reporting.test_pages import Page

FILES = tuple(file for file, _ in PAGES)


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    write_small(folder)
    return folder


@pytest.mark.parametrize("file", FILES)
def test_a_single_file_leads_nowhere_else(file: str, out: Path) -> None:
    page = Page(out / "single" / file)
    assert page.open == []
    assert {a for a in page.addresses if not a.startswith("#")} == {"data:,"}
    assert "<style>" in page.text and "--ink" in page.text
    assert (page.text.count("plotly.js v") > 0) == (file in FIGURE_PAGES)


@pytest.mark.parametrize("file", FILES)
def test_its_policy_lets_its_own_scripts_run_and_no_other(file: str, out: Path) -> None:
    text = (out / "single" / file).read_text(encoding="utf-8")
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', text)
    assert policy
    allowed = re.search(r"script-src ([^;]+);", policy[1])
    assert allowed and "'self'" not in allowed[1] and "unsafe" not in allowed[1]
    scripts = re.findall(r"<script>(.*?)</script>", text, re.S)
    digests = [f"'sha256-{b64encode(sha256(s.encode()).digest()).decode()}'" for s in scripts]
    assert digests == allowed[1].split()
    assert len(scripts) == (2 if file in FIGURE_PAGES else 1)


@pytest.mark.parametrize("file", FILES)
def test_no_page_has_a_script_or_a_handler_of_its_own(file: str, out: Path) -> None:
    text = (out / file).read_text(encoding="utf-8")
    assert "script-src 'self';" in text
    assert not re.search(r"<script(?![^>]*(?:src=|application/json))", text)
    assert not re.search(r"<[^>]*\son[a-z]+\s*=", re.sub(r"<script.*?</script>", "", text, flags=re.S))
    assert "javascript:" not in text


def test_without_the_wish_there_is_none(tmp_path: Path, tables: dict, boat: object) -> None:
    from pipeline.reporting.pages import write_pages

    write_pages(tables, boat, tmp_path)  # type: ignore[arg-type]
    assert not (tmp_path / "single").exists()


def test_numbers_are_written_in_the_readers_way_everywhere(out: Path) -> None:
    english = re.compile(r"(?<![\d.])\d+\.\d(?!\d{2})\b")
    for file in FILES:
        page = Page(out / file)
        # What stages wrote down as text ("Judged by 20.0 of 22.0 hours") stands as they wrote it.
        words = " ".join(page.words).replace("20.0 of 22.0", "")
        text = re.sub(r'<script.*?</script>|tables/|href="[^"]*"', "", page.text, flags=re.S)
        said = re.findall(r'aria-label="([^"]+)"|<title>([^<]+)</title>', text)
        for part in (words, *(a or b for a, b in said)):
            assert not english.search(part), (file, part[:200])
    analyst = Page(out / "analyst.html")
    assert re.search(r"\d,\d s", " ".join(analyst.words))
    assert 'data-decimal=","' in analyst.text

"""A headless Chromium, started by the tests; without one they are skipped, unless PEELPOINT_BROWSER says "needed"."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.reporting.campaigns import write_huge, write_minimal, write_small

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
# No sandbox, because tests may run as root; nothing that would speak to a network.
ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"),
)
NEEDED = os.environ.get("PEELPOINT_BROWSER") == "needed"
HEIGHT = 900


def _unavailable(reason: str) -> None:
    if NEEDED:
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def chromium() -> Iterator[object]:
    """The browser."""
    program = os.environ.get("CHROMIUM") or next((p for n in NAMES if (p := shutil.which(n))), None)
    if program is None:
        _unavailable("no Chromium on this machine: install it (Debian: apt-get install chromium) to run the page tests")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _unavailable("playwright is not installed: pip install playwright (no browser of its own is needed)")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def folders(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The folder of the pages of a campaign: demo, minimal, small or huge; each written once, when first asked for."""
    written: dict[str, Path] = {}

    def of(name: str) -> Path:
        if name not in written:
            if name == "demo":
                written[name] = request.getfixturevalue("demo")
            else:
                written[name] = tmp_path_factory.mktemp(name)
                {"minimal": write_minimal, "small": write_small, "huge": write_huge}[name](written[name])
        return written[name]

    return of


class Opened:
    """A page in the browser with what it said and asked for."""

    def __init__(self, browser: object, path: Path, width: int, **context: object) -> None:
        self.path = path
        self.said: list[str] = []
        self.asked: list[str] = []
        self._context = browser.new_context(viewport={"width": width, "height": HEIGHT}, **context)  # type: ignore[attr-defined]
        self.page = self._context.new_page()
        self.page.on("console", lambda m: self.said.append(f"{m.type}: {m.text}"))
        self.page.on("pageerror", lambda e: self.said.append(f"error: {e}"))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.goto(path.as_uri())

    @property
    def outside(self) -> list[str]:
        """Addresses asked for outside the page's folder."""
        home = self.path.parent.as_uri() + "/"
        return [a for a in self.asked if not a.startswith((home, "data:", f"blob:{home[:7]}"))]

    def close(self) -> None:
        """Close page and context."""
        self._context.close()


@pytest.fixture
def opened(chromium: object, folders: Callable[[str], Path]) -> Iterator[Callable[..., Opened]]:
    """Open `file` of `campaign` at a width in pixels; closed again after the test."""
    every: list[Opened] = []

    def open_(campaign: str, file: str, width: int = 1280, **context: object) -> Opened:
        every.append(Opened(chromium, folders(campaign) / file, width, **context))
        return every[-1]

    yield open_
    for page in every:
        page.close()

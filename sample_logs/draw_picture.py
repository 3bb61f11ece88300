"""Draws the README's picture of the report: `python sample_logs/draw_picture.py OUT`, OUT a run of this campaign.

Takes the measured chart with the designed borders from `OUT/sailmaker.html` and photographs it with Chromium into
`report.png` beside this file.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

WIDTH, HEIGHT = 1400, 1075
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PAGE = """<!doctype html><meta charset="utf-8"><link rel="stylesheet" href="assets/report.css">
<style>body {{ padding: 22px 34px }} h2 {{ border: 0; margin: 0; padding: 0; font-size: 33px }}
.key, p {{ font-size: 18px; max-width: none }} .key {{ gap: 4px 24px }} svg.drawing {{ margin: 6px 0 0 }}</style>
<h2>{boat}: which sail set was fastest, and where the design was off</h2>
{chart}{key}
<p>An invented season. Filled: clearly fastest; hatched: in doubt; pale: the only set measured; white: not sailed.
Dashed: the designed borders; arrows: from the design to where a border was measured.</p>"""


def main(out: Path) -> None:
    """Photographs the chart of the run in `out`."""
    page = (out / "sailmaker.html").read_text(encoding="utf-8")
    figure = page[page.index("<figure>", page.index("Measured chart")) :]
    chart = _found(r'<svg class="drawing wide".*?</svg>', figure)
    key = _found(r'<ul class="key".*?</ul>', figure)
    boat = _found(r'<p class="boat"><bdi>(.*?)</bdi>', page, 1)
    browser = next((b for b in map(shutil.which, BROWSERS) if b), None)
    if browser is None:
        raise SystemExit(f"None of {', '.join(BROWSERS)} is installed.")
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(out / "assets", Path(folder) / "assets")
        picture = Path(folder) / "picture.html"
        picture.write_text(PAGE.format(boat=boat, chart=chart, key=key), encoding="utf-8")
        target = Path(__file__).resolve().parent / "report.png"
        options = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            f"--user-data-dir={folder}/browser",
        ]
        options += ["--no-first-run", "--disable-background-networking", "--disable-component-update"]
        options += [f"--screenshot={target}", f"--window-size={WIDTH},{HEIGHT}", picture.as_uri()]
        subprocess.run([browser, *options], check=True, timeout=120, stderr=subprocess.DEVNULL)


def _found(pattern: str, text: str, group: int = 0) -> str:
    match = re.search(pattern, text, re.DOTALL)
    if match is None:
        raise SystemExit(f"sailmaker.html holds no {pattern}.")
    return match[group]


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    main(Path(sys.argv[1]))

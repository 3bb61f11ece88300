"""The files that all pages share: one style sheet, one script of our own, and the script of Plotly."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

# Our own script is one file made of these, each a closed piece; `figures.js` does nothing without Plotly.
PIECES = ("figures.js", "lookup.js", "picks.js", "tables.js", "tips.js")
STYLE, SCRIPT, PLOTLY = "report.css", "report.js", "plotly.min.js"


def style() -> str:
    """The style sheet."""
    return _static(STYLE)


def script() -> str:
    """Our own script."""
    return "".join(_static(name) for name in PIECES)


def plotly_script() -> str:
    """The script of the installed Plotly, as it is shipped."""
    return files("plotly").joinpath("package_data", PLOTLY).read_text(encoding="utf-8")


def write_assets(folder: Path) -> list[Path]:
    """Write the shared files into `folder`; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in ((STYLE, style()), (SCRIPT, script()), (PLOTLY, plotly_script())):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        written.append(folder / name)
    return written


def _static(name: str) -> str:
    return files("pipeline.reporting").joinpath("static", name).read_text(encoding="utf-8")

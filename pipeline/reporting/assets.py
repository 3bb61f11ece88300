"""The files that all pages share: one style sheet, one script of our own, and the script of Plotly."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

from markupsafe import Markup

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


@dataclass(frozen=True, slots=True)
class Embedded:
    """What a page that stands alone holds in itself: the style sheet, scripts in order, and their digests by which the
    page's own policy lets them run.
    """

    style: Markup
    scripts: tuple[Markup, ...]
    digests: tuple[str, ...]


@cache
def embedded(*, figures: bool) -> Embedded:
    """For one page; `figures`: with Plotly."""
    texts = (plotly_script(), script()) if figures else (script(),)
    # An end tag inside a script would end it; within a string or an expression the backslash changes nothing.
    scripts = tuple(text.replace("</script", "<\\/script") for text in texts)
    digests = tuple(f"sha256-{b64encode(sha256(s.encode()).digest()).decode()}" for s in scripts)
    return Embedded(Markup(style()), tuple(Markup(s) for s in scripts), digests)


def _static(name: str) -> str:
    return files("pipeline.reporting").joinpath("static", name).read_text(encoding="utf-8")

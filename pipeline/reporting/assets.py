"""The files that all pages share: one style sheet, two small scripts, and the script of Plotly."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

OWN = ("report.css", "report.js", "lookup.js")


def write_assets(folder: Path) -> list[Path]:
    """Write the shared files into `folder`; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name in OWN:
        written.append(_copied(files("pipeline.reporting").joinpath("static", name).read_bytes(), folder / name))
    script = files("plotly").joinpath("package_data", "plotly.min.js").read_bytes()
    written.append(_copied(script, folder / "plotly.min.js"))
    return written


def _copied(content: bytes, target: Path) -> Path:
    target.write_bytes(content)
    return target

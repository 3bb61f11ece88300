"""Small campaigns around recorded logs, for runs of the whole chain."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import pytest

RECORDED = Path(__file__).parents[1] / "data" / "recorded"

BOAT = """\
[boat]
name = "{name}"
loa_m = 12.0

[instruments]
wind_sensor_height_m = {height}
reference_height_m = {height}
{more}

[calibration]
leeway_coefficient = 0.0

[sails.MN]
kind = "mainsail"
station = "mast"
[sails.J1]
kind = "headsail"
station = "forestay"
"""


@pytest.fixture
def campaign_of(tmp_path: Path) -> Callable[..., Path]:
    """Write a campaign folder: `logs` maps a name to a recorded log's name or to bytes."""

    def make(logs: dict[str, str | bytes], more: str = "", sail_log: str | None = None, height: float = 15.0) -> Path:
        folder = tmp_path / "campaign"
        (folder / "logs").mkdir(parents=True)
        (folder / "boat.toml").write_text(BOAT.format(name="Test boat", height=height, more=more), "utf-8")
        if sail_log is not None:
            (folder / "sail_log.csv").write_text(sail_log, "utf-8")
        for name, content in logs.items():
            data = content if isinstance(content, bytes) else recorded(content)
            (folder / "logs" / name).write_bytes(data)
        return folder

    return make


def recorded(name: str) -> bytes:
    """The bytes of a recorded log, unpacked."""
    path = RECORDED / name
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()

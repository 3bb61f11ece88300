"""Runs killed (signal 9) or starved of disk, and what must hold afterwards.

A small season is run without disturbance once. Then a run starts on an empty OUT, on the OUT of the season one log
shorter, or on the OUT of other settings, and is killed. The store must then open and hold what it held before or what
the whole run gives, nothing between; and the next run must end with the tables and pages of the undisturbed one.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import duckdb

from pipeline.output_folder import STORE_NAME
from tests.torture.small_campaign import START, as_bytes, log_lines, sound_campaign

ROOT = Path(__file__).parents[2]
Disturbance = Callable[[subprocess.Popen], None]
COMMAND = [sys.executable, "-c", "import sys; from pipeline.cli import main; sys.exit(main())"]
STARTS = ("empty", "shorter", "other settings")
# The line of progress with which each part of a run begins.
BOUNDARIES = {
    "ingest": "reading log 1",
    "windows": "wind and windows of",
    "fit": "calibration: speed",
    "report": "writing reports",
    "tables": "writing tables",
}


@dataclass(frozen=True)
class Bench:
    """A season, what an undisturbed run makes of it, and outputs of earlier states to start from."""

    folder: Path
    campaign: Path
    whole: dict[str, str]
    whole_rows: str
    earlier: dict[str, Path]
    earlier_rows: dict[str, str]
    seconds: float


def prepare(folder: Path) -> Bench:
    """Make the season, three short days, and the undisturbed runs in `folder`."""
    campaign = sound_campaign(folder / "campaign")
    for day in (1, 2):
        (campaign / "logs" / f"day{day}.nmea").write_bytes(as_bytes(log_lines(START + timedelta(days=day))))
    began = time.monotonic()
    run(campaign, folder / "whole")
    seconds = time.monotonic() - began
    shorter, other = folder / "shorter-campaign", folder / "other-campaign"
    for copy in (shorter, other):
        shutil.copytree(campaign, copy)
    max((shorter / "logs").iterdir()).unlink()
    boat = (other / "boat.toml").read_text("utf-8")
    (other / "boat.toml").write_text(
        re.sub(r"wind_sensor_height_m = [\d.]+", "wind_sensor_height_m = 9.0", boat), "utf-8"
    )
    earlier = {"shorter": folder / "shorter", "other settings": folder / "other"}
    run(shorter, earlier["shorter"])
    run(other, earlier["other settings"])
    rows = {name: rows_of(out) for name, out in earlier.items()} | {"empty": ""}
    return Bench(folder, campaign, published(folder / "whole"), rows_of(folder / "whole"), earlier, rows, seconds)


def run(campaign: Path, out: Path) -> None:
    """One run, which must succeed."""
    done = subprocess.run([*COMMAND, "run", str(campaign), "--out", str(out)], **settings(), text=True, check=False)
    assert done.returncode == 0, done.stderr


def settings() -> dict:
    """How the command is started: on one thread, so that many runs side by side are alike."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1"}
    return {"env": environment, "stderr": subprocess.PIPE, "stdout": subprocess.DEVNULL}


def published(out: Path) -> dict[str, str]:
    """Hash of every table and page in `out`, by name."""
    files = sorted(f for f in [*out.glob("*.html"), *(out / "tables").rglob("*")] if f.is_file())
    return {str(f.relative_to(out)): hashlib.sha256(f.read_bytes()).hexdigest() for f in files}


def rows_of(out: Path) -> str:
    """What the store in `out` holds, every table by its rows in any order; "" where there is no store yet."""
    path = out / STORE_NAME
    if not path.exists() or path.stat().st_size == 0:
        return ""
    said = []
    with duckdb.connect(str(path)) as store:
        query = "SELECT table_name, list_sort(list(column_name)) FROM duckdb_columns() WHERE NOT internal GROUP BY 1"
        for name, columns in sorted(store.sql(query).fetchall()):
            if name != "seen_files":  # when the log files were last changed
                row = ", ".join(f'"{c}"' for c in columns)
                said.append((name, *store.sql(f'SELECT count(*), sum(hash(row({row}))) FROM "{name}"').fetchall()))
    return repr(said) if said else ""


def disturb(bench: Bench, start: str, hows: Sequence[Disturbance]) -> tuple[int, str | None]:
    """Start runs one after the other from a state, disturb each, look, run to the end, compare.

    Returns how many were killed (others had ended before), and what was wrong.
    """
    out = bench.folder / "out"
    killed = 0
    shutil.rmtree(out, ignore_errors=True)
    if start != "empty":
        shutil.copytree(bench.earlier[start], out)
    for how in hows:
        process = subprocess.Popen([*COMMAND, "run", str(bench.campaign), "--out", str(out)], **settings())
        how(process)
        killed += process.wait() == -signal.SIGKILL
        if process.stderr is not None:
            process.stderr.close()
        if (wrong := looked_at(bench, start, out)) is not None:
            return killed, wrong
    return killed, after(bench, out)


def starve(bench: Bench, start: str, megabytes: float) -> tuple[int, str | None]:
    """A run that may not have more address space than that, the system's own way to say that memory is out.

    Returns its status, and what was wrong then or after the next run.
    """
    out = bench.folder / "starved"
    shutil.rmtree(out, ignore_errors=True)
    if start != "empty":
        shutil.copytree(bench.earlier[start], out)
    most = int(megabytes * 1e6)
    limited = f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({most}, {most})); {COMMAND[2]}"
    command = [*COMMAND[:2], limited, "run", str(bench.campaign), "--out", str(out)]
    status = subprocess.run(command, **settings(), check=False, timeout=600).returncode
    return status, looked_at(bench, start, out) or after(bench, out)


def looked_at(bench: Bench, start: str, out: Path) -> str | None:
    """What is wrong with the store in `out`, or None."""
    try:
        rows = rows_of(out)
    except duckdb.Error as error:
        return f"the store does not open: {error}"
    if rows not in (bench.earlier_rows[start], bench.whole_rows):
        return "the store holds neither what it held before nor what the whole run gives"
    return None


def after(bench: Bench, out: Path) -> str | None:
    """What is wrong with what the next run makes of `out`; None where nothing is."""
    try:
        run(bench.campaign, out)
    except AssertionError as error:
        return f"the next run failed: {error}"
    if rows_of(out) != bench.whole_rows:
        return "after the next run the store differs from that of an undisturbed run"
    now = published(out)
    differing = sorted(k for k in bench.whole.keys() | now.keys() if bench.whole.get(k) != now.get(k))
    return f"after the next run these differ: {', '.join(differing)}" if differing else None


def kill_after(seconds: float) -> Disturbance:
    """Kill after so long, unless the run has ended."""

    def how(process: subprocess.Popen) -> None:
        reader = threading.Thread(target=lambda: process.stderr.read(), daemon=True)
        reader.start()
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
        reader.join()

    return how


def kill_at(boundary: str, seconds: float) -> Disturbance:
    """Kill so long after a part of the run began."""

    def how(process: subprocess.Popen) -> None:
        for line in process.stderr:
            if BOUNDARIES[boundary] in line.decode():
                time.sleep(seconds)
                process.send_signal(signal.SIGKILL)
        # a part that was not needed does not begin, and the run ends by itself

    return how

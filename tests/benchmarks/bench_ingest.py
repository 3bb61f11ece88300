"""How fast logs are ingested and decoded, and in how much memory, as ratios measured in one run.

    python tests/benchmarks/bench_ingest.py [--quick]

* whole ingest (decode, check, clock, merge, store in DuckDB, commit) against pynmea2 that only parses the same lines,
  line by line, on twenty days of five hours (wanted: at least 8), on one long log, and on a season of short ones;
* decoding alone (checksums, fields, clock, readings) against Polars reading the same bytes as raw lines: with its
  reader of lines, and with its reader of CSV made to see one column (wanted: at least 0.08 of its rate);
* time and peak memory of an ingest at 4 and 16 times the log (wanted: at most 17 times and 1.2 times at 16).

Each measurement is taken a few times, what is compared by turns, and the best of each counts: other work on the machine
only ever slows things down. pynmea2 parses a part of the lines, for its rate does not depend on their number.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

PYNMEA2_LINES = 20_000
# A day of five hours at the recorded yacht's rate, and a log of half an hour.
DAY_LINES, SHORT_LINES = 600_000, 65_000
BOAT = '[boat]\nname = "Sandpiper"\nloa_m = 13.2\n[instruments]\nwind_sensor_height_m = 20.5\nstart_date = 2014-04-18\n'


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a quarter of everything")
    parser.add_argument("--only", choices=("ingest", "decode", "scaling"))
    parser.add_argument("--campaign", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.campaign:
        ingest_once(arguments.campaign)
        return
    share = 4 if arguments.quick else 1
    parts = {"ingest": against_a_parser, "decode": against_raw_lines, "scaling": scaling}
    for name, part in parts.items():
        if arguments.only in (None, name):
            part(share)


# --- whole ingest ---------------------------------------------------------------------------------------------------


def ingest_once(folder: Path) -> None:
    """Ingest a campaign into a new store; says seconds, lines and peak memory in MB. Runs in a process of its own."""
    from pipeline.campaign.boat_file import parse_boat
    from pipeline.campaign.campaign import Campaign
    from pipeline.ingest.season import ingest_logs
    from pipeline.ingest.store import Store

    boat, _ = parse_boat((folder / "boat.toml").read_bytes())
    assert boat is not None
    logs = tuple(sorted((folder / "logs").iterdir()))
    campaign = Campaign(folder, boat, None, None, None, None, None, None, None, logs, ())
    with tempfile.TemporaryDirectory(dir=folder) as out:
        start = time.perf_counter()
        with Store.open(Path(out) / "season.duckdb") as store:
            ingest_logs(store, campaign)
            store.commit()
            lines = int(store.read_table("files")["lines"].sum())
        took = time.perf_counter() - start
    # Its own peak, and that of the largest of its helpers for each of them: no less than what they had together.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peak += ((os.cpu_count() or 1) - 1) * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(
        json.dumps({"seconds": took, "lines": lines, "peak_mb": peak / (1024 if sys.platform == "linux" else 1 << 20)})
    )


def ingested(folder: Path) -> dict[str, float]:
    command = [sys.executable, __file__, "--campaign", str(folder)]
    found: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return found


def campaign_in(folder: Path) -> Path:
    (folder / "logs").mkdir(parents=True)
    (folder / "boat.toml").write_text(BOAT)
    return folder


def parse_lines(lines: list[str]) -> float:
    """Seconds that pynmea2 takes a line; what it refuses costs the same."""
    import pynmea2

    start = time.perf_counter()
    for line in lines:
        with contextlib.suppress(pynmea2.ParseError):
            pynmea2.parse(line)
    return (time.perf_counter() - start) / len(lines)


def against_a_parser(share: int) -> None:
    from repeated_logs import LOGS, write_long, write_short

    print(f"{'whole ingest':42} {'lines':>10} {'lines/s':>10} {'x pynmea2':>10} {'wanted':>8}")
    with tempfile.TemporaryDirectory() as root:
        for name in LOGS:
            days, long, short = (campaign_in(Path(root) / f"{name}-{kind}") for kind in ("days", "long", "short"))
            write_short(days / "logs", name, 20, DAY_LINES // share)
            write_long(long / "logs" / "log.nmea", name, (200 << 20) // share)
            write_short(short / "logs", name, 40 // share, SHORT_LINES)
            lines = (short / "logs" / "log000.nmea").read_text().splitlines()[:PYNMEA2_LINES]
            for kind, folder in (("twenty days", days), ("one long log", long), ("short logs", short)):
                theirs, ours, count = [], [], 0.0
                for _ in range(3):
                    theirs.append(parse_lines(lines))
                    found = ingested(folder)
                    ours.append(found["seconds"] / found["lines"])
                    count = found["lines"]
                ratio = min(theirs) / min(ours)
                print(f"{name + ', ' + kind:42} {count:10,.0f} {1 / min(ours):10,.0f} {ratio:10.1f} {'>= 8':>8}")


# --- decoding -------------------------------------------------------------------------------------------------------


def timed(task: Callable[[], object]) -> float:
    start = time.perf_counter()
    task()
    return time.perf_counter() - start


def against_raw_lines(share: int) -> None:
    import polars as pl
    from repeated_logs import LOGS, write_long

    from pipeline.ingest.log_files import LogReader
    from pipeline.ingest.nmea0183 import decode_pieces
    from pipeline.ingest.scan import whole_lines
    from pipeline.ingest.workers import Workers

    print(f"\n{'decoding alone':42} {'lines/s':>10} {'of lines':>10} {'of 1 column':>12} {'wanted':>8}")
    with tempfile.TemporaryDirectory() as root, Workers(os.cpu_count() or 1) as workers:
        workers.begin(wait=True)  # as Polars has its threads begun
        for name in LOGS:
            path = Path(root) / f"{name}.nmea"
            lines = write_long(path, name, (100 << 20) // share)

            def decode(path: Path = path) -> None:
                reader = LogReader(path)
                pieces = whole_lines(reader.blocks())
                decode_pieces(
                    pieces,
                    reader.again(),
                    transducers={},
                    season=None,
                    workers=workers,
                    path=path,
                    folder=Path(root),
                )

            def one_column(path: Path = path) -> None:
                pl.read_csv(path, has_header=False, separator="\x01", quote_char=None, new_columns=["line"])

            tasks = {"ours": decode, "lines": lambda p=path: pl.read_lines(p), "column": one_column}
            took = {key: min(times) for key, times in _by_turns(tasks, 5).items()}
            shown = f"{took['lines'] / took['ours']:10.3f} {took['column'] / took['ours']:12.3f}"
            print(f"{name:42} {lines / took['ours']:10,.0f} {shown} {'>= 0.08':>8}")


def _by_turns(tasks: dict[str, Callable[[], object]], times: int) -> dict[str, list[float]]:
    took: dict[str, list[float]] = {key: [] for key in tasks}
    for _ in range(times):
        for key, task in tasks.items():
            took[key].append(timed(task))
    return took


# --- scaling --------------------------------------------------------------------------------------------------------


def scaling(share: int) -> None:
    from repeated_logs import LOGS, write_long

    print(f"\n{'one log':42} {'MB':>6} {'seconds':>8} {'times':>6} {'peak MB':>8} {'times':>6}   wanted at 16: 17, 1.2")
    with tempfile.TemporaryDirectory() as root:
        for name in LOGS:
            folders = {}
            for times in (1, 4, 16):
                folders[times] = campaign_in(Path(root) / f"{name}-{times}")
                write_long(folders[times] / "logs" / "log.nmea", name, times * (48 << 20) // share)
            found = _by_turns_of(folders, 3)
            for times, (seconds, peak) in found.items():
                size = (folders[times] / "logs" / "log.nmea").stat().st_size >> 20
                ratios = f"{seconds / found[1][0]:6.1f} {peak:8.0f} {peak / found[1][1]:6.2f}"
                print(f"{name:42} {size:6} {seconds:8.2f} {ratios}")


def _by_turns_of(folders: dict[int, Path], turns: int) -> dict[int, tuple[float, float]]:
    """The best time and the least peak of a few turns, by folder."""
    best: dict[int, tuple[float, float]] = {}
    for _ in range(turns):
        for times, folder in folders.items():
            found = ingested(folder)
            seconds, peak = best.get(times, (float("inf"), float("inf")))
            best[times] = min(seconds, found["seconds"]), min(peak, found["peak_mb"])
    return best


if __name__ == "__main__":
    main()

"""The same season in other files: every table but `files` and `rejected`, which name files and lines, is the same."""

from __future__ import annotations

import gzip
import itertools
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.chain import run_campaign
from tests.known_boat.season import make_season

pytestmark = pytest.mark.slow
NAMES_FILES = {"files", "rejected"}
ROOT = Path(__file__).parents[2]
# A run that ends at once, with this status, when it reaches for the network or unpickles something.
WATCHED = """
import os, sys
FORBIDDEN = ("socket.connect", "socket.getaddrinfo", "socket.bind", "pickle.find_class")
def watch(event, _):
    if event in FORBIDDEN:
        print(event, file=sys.stderr, flush=True)
        os._exit(77)
sys.addaudithook(watch)
if sys.argv[1] == "forbidden":
    import pickle
    pickle.loads(pickle.dumps(os.getcwd))
from pipeline.cli import main
sys.exit(main())
"""
OTHER_MACHINE = {
    "POLARS_MAX_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "PYTHONHASHSEED": "7",
    "TZ": "Pacific/Kiritimati",
    "LC_ALL": "tr_TR.UTF-8",
    "LANG": "tr_TR.UTF-8",
}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    """A small season and the tables of a run on it."""
    folder = tmp_path_factory.mktemp("season")
    make_season(folder / "campaign", 5, "sportboat", days=3, hours=0.7)
    run_campaign(folder / "campaign", folder / "one")
    return folder / "campaign", tables_in(folder / "one")


def tables_in(out: Path) -> dict[str, bytes]:
    return {f.name: f.read_bytes() for f in (out / "tables").glob("*.csv")}


def watched(*arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | OTHER_MACHINE | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", WATCHED, *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


def in_other_files(logs: Path) -> None:
    """Each log in three, between two whole bursts; renamed out of order; one given twice, one packed, too."""
    order = random.Random(3)
    for n, file in enumerate(sorted(logs.iterdir())):
        lines = file.read_bytes().splitlines(keepends=True)
        head = lines[:1] if file.suffix == ".csv" else []
        cuts = [len(head), len(lines) // 3, 2 * len(lines) // 3, len(lines)]
        if not head:
            bursts = [i for i, line in enumerate(lines) if line.startswith(b"$GPRMC")]
            cuts[1:3] = [next(i for i in bursts if i >= cut) for cut in cuts[1:3]]
        file.unlink()
        names = order.sample(range(3), 3)
        for part, (start, end) in enumerate(itertools.pairwise(cuts)):
            data = b"".join([*head, *lines[start:end]])
            (logs / f"{9 - n}{names[part]}{file.suffix}").write_bytes(data)
            if part == 1:
                (logs / "again").mkdir(exist_ok=True)
                (logs / "again" / f"{n}.gz").write_bytes(gzip.compress(data))


def test_threads_locale_time_zone_and_hash_seed_do_not_matter_and_no_network_is_used(season, tmp_path: Path) -> None:
    campaign, one = season
    assert watched("forbidden").returncode == 77
    done = watched("run", str(campaign), "--out", str(tmp_path / "two"))
    assert done.returncode == 0, done.stderr
    two = tables_in(tmp_path / "two")
    assert [name for name in one.keys() | two.keys() if one.get(name) != two.get(name)] == []


def test_split_renamed_and_given_twice(season, tmp_path: Path) -> None:
    campaign, one = season
    assert {f.suffix for f in (campaign / "logs").iterdir()} == {".csv", ".nmea"}
    other = tmp_path / "campaign-2"
    shutil.copytree(campaign, other)
    in_other_files(other / "logs")
    run_campaign(other, tmp_path / "two")
    two = tables_in(tmp_path / "two")
    assert len(one) > 30 and one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name] and Path(name).stem not in NAMES_FILES] == []
    assert one["windows.csv"].count(b"\n") > 50


def test_rows_of_a_csv_log_in_another_order(tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    make_season(campaign, 5, "sportboat", days=3, hours=0.7, csv_share=1.0)
    run_campaign(campaign, tmp_path / "one", stages=("ingest", "fit"))
    for file in (campaign / "logs").iterdir():
        head, *rows = file.read_bytes().splitlines(keepends=True)
        random.Random(4).shuffle(rows)
        file.write_bytes(b"".join([head, *rows]))
    run_campaign(campaign, tmp_path / "two", stages=("ingest", "fit"))
    one, two = tables_in(tmp_path / "one"), tables_in(tmp_path / "two")
    # `flags` says that time went back, which is so.
    known = {f"{name}.csv" for name in (*NAMES_FILES, "flags")}
    assert [name for name in one if one[name] != two[name] and name not in known] == []

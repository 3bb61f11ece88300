"""A fleet's results are those of its campaigns run one by one, whoever ran them, and whoever died over it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pytest

from pipeline.chain import run_campaign
from pipeline.cli import main
from pipeline.fleet.campaigns import find_campaigns
from pipeline.fleet.dataset import connect, publish
from pipeline.fleet.fleet import run_fleet
from pipeline.fleet.workers import Task, TaskFailed, on_processes
from pipeline.problems import WrongUsage
from tests.fleet.deaths import die_always, die_once, fail
from tests.known_boat.season import make_season

STAGES = ("ingest", "windows")
ASKED = ("windows", "segments", "files", "rejected", "flags", "set_aside")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three campaigns of two boats."""
    folder = tmp_path_factory.mktemp("fleet") / "boats"
    for boat, season, seed in (("sportboat", "2027", 5), ("sportboat", "2028", 6), ("maxi", "2027", 7)):
        make_season(folder / boat / season, seed, boat, days=2, hours=0.4)
        boat_toml = folder / boat / season / "boat.toml"
        text = boat_toml.read_text("utf-8")
        boat_toml.write_text(re.sub("^name = .*$", f'name = "{boat}"', text, count=1, flags=re.MULTILINE), "utf-8")
    return folder


@pytest.fixture(scope="module")
def one_by_one(fleet: Path) -> dict[str, dict[str, pl.DataFrame]]:
    out = {}
    for campaign in find_campaigns([fleet]):
        run = run_campaign(campaign.folder, fleet.parent / "single" / campaign.partition, stages=STAGES)
        out[campaign.partition] = {n: pl.read_parquet(run.out / "tables" / f"{n}.parquet") for n in ASKED}
    assert len(out) == 3
    return out


def assert_same(tables: Path, one_by_one: dict[str, dict[str, pl.DataFrame]]) -> None:
    for partition, expected in one_by_one.items():
        for name, frame in expected.items():
            found = pl.read_parquet(tables / name / partition / f"{name}.parquet", hive_partitioning=False)
            assert found.equals(frame), (partition, name)


def test_local_processes_and_the_data_set(
    fleet: Path, one_by_one: dict[str, dict[str, pl.DataFrame]], tmp_path: Path
) -> None:
    done = run_fleet([fleet], str(tmp_path / "out"), workers=2, stages=STAGES)
    assert [(d.done, d.problems) for d in done] == [(STAGES[1:], ())] * 3
    assert_same(tmp_path / "out" / "tables", one_by_one)
    assert not list((tmp_path / "out" / "parts").rglob("*.parquet"))
    with connect(tmp_path / "out" / "tables") as asked:
        counts = asked.sql("SELECT boat, season, count(*) FROM windows GROUP BY ALL ORDER BY ALL").fetchall()
        assert [(b, s) for b, s, _ in counts] == [("maxi", "2027"), ("sportboat", "2027"), ("sportboat", "2028")]
        assert [n for *_, n in counts] == [one_by_one[f"boat={b}/season={s}"]["windows"].height for b, s, _ in counts]
        assert asked.sql("SELECT count(*) FROM files WHERE boat = 'maxi'").fetchall() == [(2,)]
    again = run_fleet([fleet], str(tmp_path / "out"), workers=1, stages=STAGES)
    assert [(d.done, d.problems) for d in again] == [((), ())] * 3


def test_a_log_under_two_names_counts_once(
    fleet: Path, one_by_one: dict[str, dict[str, pl.DataFrame]], tmp_path: Path
) -> None:
    boats = tmp_path / "boats"
    shutil.copytree(fleet / "maxi", boats / "maxi")
    log = min((boats / "maxi" / "2027" / "logs").iterdir())
    shutil.copy(log, log.with_name(f"z-{log.name}"))
    (done,) = run_fleet([boats], str(tmp_path / "out"), workers=2, stages=STAGES)
    assert done.problems == ()
    maxi = {name: t for name, t in one_by_one["boat=maxi/season=2027"].items() if name != "files"}
    assert_same(tmp_path / "out" / "tables", {"boat=maxi/season=2027": maxi})


def test_a_campaign_that_cannot_be_used_does_not_hold_up_the_others(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    boats = tmp_path / "boats"
    shutil.copytree(fleet / "maxi", boats / "maxi")
    for name, text in (("broken", "[boat\n"), ("empty", (fleet / "maxi" / "2027" / "boat.toml").read_text("utf-8"))):
        (boats / name).mkdir()
        (boats / name / "boat.toml").write_text(text.replace('"maxi"', f'"{name}"'), "utf-8")
    command = ["fleet", str(boats), "--out", str(tmp_path / "out"), "--workers", "1", "--to", "ingest"]
    assert main(command) == 1
    said = capsys.readouterr()
    assert "3 campaigns: " in said.out and "2 that could not be used" in said.out
    assert f"{boats / 'broken'}: boat.toml" in said.err and f"{boats / 'empty'}: logs/" in said.err
    assert (tmp_path / "out/tables/files/boat=maxi/season=2027/files.parquet").is_file()


def test_wrong_usage(fleet: Path, tmp_path: Path) -> None:
    with pytest.raises(WrongUsage, match=r"no folder with a boat\.toml"):
        run_fleet([tmp_path], str(tmp_path / "out"))
    with pytest.raises(WrongUsage, match="would both be boat=maxi/season=2027"):
        shutil.copytree(fleet / "maxi" / "2027", tmp_path / "again" / "2027")
        run_fleet([fleet, tmp_path / "again"], str(tmp_path / "out"))
    with pytest.raises(WrongUsage, match="--work"):
        run_fleet([fleet], "s3://bucket/fleet")
    with pytest.raises(WrongUsage, match="never written to"):
        run_fleet([fleet], str(fleet / "maxi" / "2027" / "out"))
    assert not (tmp_path / "out").exists()


def test_published_through_an_address(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    for n in (1, 2):
        pl.DataFrame({"n": [n]}).write_parquet(tmp_path / "tables" / "windows.parquet")
        publish(tmp_path / "tables", f"file://{tmp_path}/fleet", "boat=a/season=b")
    with connect(tmp_path / "fleet") as asked:
        assert asked.sql("SELECT n, boat, season FROM windows").fetchall() == [(2, "a", "b")]


def test_a_process_that_dies_is_survived(tmp_path: Path) -> None:
    tasks = [
        Task("first", die_once, (str(tmp_path / "mark"), 1)),
        Task("second", abs, (-2,)),
        Task("third", abs, (-3,), frozenset({"first", "second"})),
        Task("bad", die_always, ()),
        Task("faulty", fail, ()),
    ]
    found = {task.key: result for task, result in on_processes(tasks, 1)}
    assert [found[k] for k in ("first", "second", "third")] == [1, 2, 3]
    assert isinstance(found["bad"], TaskFailed) and "died" in str(found["bad"])
    assert isinstance(found["faulty"], TaskFailed) and "a fault of the program" in str(found["faulty"])


@pytest.fixture
def cluster(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], list[int]]]:
    """A cluster of two processes; gives its address, and the processes' numbers when called."""
    import dask
    from distributed import LocalCluster

    with (
        dask.config.set({"distributed.comm.timeouts.connect": "30s"}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as made,
    ):
        yield made


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_cluster_that_loses_a_worker(
    cluster, fleet: Path, one_by_one: dict[str, dict[str, pl.DataFrame]], tmp_path: Path
) -> None:
    victim = next(iter(cluster.workers.values())).pid
    at_work = tmp_path / "out" / "parts"

    def kill() -> None:
        until = time.monotonic() + 60
        while not at_work.exists() and time.monotonic() < until:
            time.sleep(0.01)
        os.kill(victim, signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    done = run_fleet([fleet], str(tmp_path / "out"), scheduler=cluster.scheduler_address, stages=STAGES)
    killer.join()
    assert [d.problems for d in done] == [()] * 3
    assert victim not in [w.pid for w in cluster.workers.values()]
    assert_same(tmp_path / "out" / "tables", one_by_one)

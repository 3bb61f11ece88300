"""A fleet: all its campaigns run, their tables in one data set."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from pipeline.campaign.campaign import read_campaign
from pipeline.fleet.campaigns import FleetCampaign, find_campaigns
from pipeline.fleet.dataset import is_address
from pipeline.fleet.parts import logs_to_read
from pipeline.fleet.work import BoatDone, BoatJob, read_log, run_boat
from pipeline.fleet.workers import Task, TaskFailed, on_cluster, on_processes
from pipeline.output_folder import STORE_NAME, lies_in
from pipeline.problems import UnusableInput, WrongUsage
from pipeline.stages import STAGES

TABLES = "tables"


def run_fleet(
    places: Iterable[Path],
    out: str,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    work: Path | None = None,
    stages: tuple[str, ...] = STAGES,
    progress: Callable[[str], None] | None = None,
) -> list[BoatDone]:
    """Run every campaign in and below `places`; what became of each, in order of boat and season.

    `out`: a folder, or an object store's address, which then needs `work`, a folder for the campaigns' stores (on a
    file system that all workers share, as the campaigns are). `scheduler`: address of a Dask scheduler; without one, on
    `workers` local processes (default: one a core). A campaign that cannot be used does not hold up the others.
    """
    say = progress or (lambda _: None)
    if work is None and is_address(out):
        raise WrongUsage(f"{out} is an object store: give a folder for the campaigns' stores with --work")
    folder = (Path(out) if work is None else work).resolve()
    tables = f"{out.rstrip('/')}/{TABLES}" if is_address(out) else str(Path(out).resolve() / TABLES)
    campaigns = find_campaigns(places)
    for campaign in campaigns:
        if lies_in(folder, campaign.folder):
            raise WrongUsage(f"{folder} lies inside the campaign {campaign.folder}, which is never written to")
    jobs = [BoatJob(c, folder, tables, stages) for c in campaigns if not c.problems]
    tasks = [task for job in jobs for task in _tasks(job)]
    done = [BoatDone(c, problems=tuple(map(str, c.problems))) for c in campaigns if c.problems]
    outcomes = on_cluster(tasks, scheduler) if scheduler else on_processes(tasks, workers or os.cpu_count() or 1)
    for boat in _boats(outcomes):
        done.append(boat)
        say(f"{len(done)} of {len(campaigns)}: {boat.campaign.partition} {'failed' if boat.problems else 'done'}")
    return sorted(done, key=lambda d: (d.campaign.boat, d.campaign.season))


def _tasks(job: BoatJob) -> Iterator[Task]:
    """The logs of a campaign that are still to be read, each by itself, then the campaign."""
    reads = [
        Task(f"{job.campaign.partition} {log}", read_log, (job, log))
        for log in _logs(job.campaign, job.out / STORE_NAME)
    ]
    yield from reads
    yield Task(job.campaign.partition, run_boat, (job,), frozenset(task.key for task in reads))


def _logs(campaign: FleetCampaign, store: Path) -> list[Path]:
    try:
        found = logs_to_read(read_campaign(campaign.folder, logs_needed=False), store)
    except UnusableInput:
        return []  # the campaign's own run says what is wrong
    return found if len(found) > 1 else []


def _boats(outcomes: Iterable[tuple[Task, object]]) -> Iterator[BoatDone]:
    for task, result in outcomes:
        if isinstance(result, BoatDone):
            yield result
        elif isinstance(result, TaskFailed) and task.call is run_boat:
            job: BoatJob = task.arguments[0]
            yield BoatDone(job.campaign, problems=(str(result),))

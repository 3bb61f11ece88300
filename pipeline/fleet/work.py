"""What the workers of a fleet do: read one log, or run one campaign. Safe to be done twice."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline import output_folder
from pipeline.fleet.campaigns import FleetCampaign
from pipeline.fleet.dataset import publish
from pipeline.fleet.parts import read_part, take_in
from pipeline.problems import UnusableInput, WrongUsage
from pipeline.threads import one_thread


@dataclass(frozen=True, slots=True)
class BoatJob:
    """One campaign to run: `work` is the folder of its store, reports and parts, `tables` the fleet's data set."""

    campaign: FleetCampaign
    work: Path
    tables: str
    stages: tuple[str, ...]

    @property
    def out(self) -> Path:
        """Where the campaign's own results go."""
        return self.work / "campaigns" / self.campaign.partition

    @property
    def parts(self) -> Path:
        """Where its logs wait, read."""
        return self.work / "parts" / self.campaign.partition


@dataclass(frozen=True, slots=True)
class BoatDone:
    """What became of a campaign: its stages done, or the problems that kept it from being run."""

    campaign: FleetCampaign
    done: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


def read_log(job: BoatJob, log: Path) -> None:
    """Read one log of a campaign for the others to come."""
    with one_thread():
        read_part(job.campaign.folder, log, job.parts)


def run_boat(job: BoatJob) -> BoatDone:
    """Run one campaign and add its tables to the data set."""
    from pipeline.chain import run_campaign
    from pipeline.ingest.store import Store

    with one_thread():
        try:
            if job.parts.is_dir():
                output_folder.claim(job.out, job.campaign.folder)
                with Store.open(job.out / output_folder.STORE_NAME) as store:
                    take_in(store, job.parts)
                    store.commit()
            run = run_campaign(job.campaign.folder, job.out, stages=job.stages)
        except UnusableInput as error:
            return BoatDone(job.campaign, problems=tuple(str(p) for p in error.problems if p.fatal))
        except WrongUsage as error:
            return BoatDone(job.campaign, problems=(str(error),))
        publish(job.out / "tables", job.tables, job.campaign.partition)
        shutil.rmtree(job.parts, ignore_errors=True)
    return BoatDone(job.campaign, run.done)

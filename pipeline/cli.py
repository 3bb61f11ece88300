"""The command `peelpoint`: the only place that talks to a person."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.problems import Problem, UnusableInput, WrongUsage
from pipeline.stages import STAGES

if TYPE_CHECKING:
    from pipeline.chain import RunSummary

DONE, UNUSABLE, USAGE = 0, 1, 2
Command = Callable[[argparse.Namespace], int]

OVERVIEW = """\
Measured sail crossovers from a season of instrument logs.

A campaign is a folder: boat.toml (the boat, its sails and sail sets), sail_log.csv (what was up when), logs/ (NMEA 0183
or CSV, plain or .gz) and, where there is one, designed.csv (where the designer put the crossovers).
"""

FIRST_STEPS = """\
first steps:
  peelpoint demo                      the whole chain on the invented season that comes with peelpoint
  peelpoint start season-27           look at the logs in season-27 and draft boat.toml and sail_log.csv
  peelpoint check season-27           list everything wrong with the inputs, change nothing
  peelpoint run season-27             tables and reports into reports/<boat name>
  peelpoint explain season-27 2027-07-03T14:05:00Z
                                      what is known of that minute: set, wind, why kept or set aside

exit status: 0 done; 1 the data cannot be used (every problem is listed); 2 wrong usage.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    arguments = build_parser().parse_args(argv)
    command: Command = arguments.command
    try:
        return command(arguments)
    except UnusableInput as error:
        _tell_problems(error.problems)
        return UNUSABLE
    except WrongUsage as error:
        _complain(str(error))
        return USAGE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        _complain(f"{place}{error.strerror or error}; nothing that was there before has been changed")
        return UNUSABLE
    except AssertionError as error:
        _complain(f"a check of peelpoint's own failed, which is a fault of the program, not of your data: {error}")
        _complain("nothing that was there before has been changed; please report it with the line above")
        return UNUSABLE
    except KeyboardInterrupt:
        _complain("stopped; the output folder is as it was before this run")
        return UNUSABLE


def build_parser() -> argparse.ArgumentParser:
    """All commands and options, each with its help."""
    parser = argparse.ArgumentParser(
        prog="peelpoint",
        description=OVERVIEW,
        epilog=FIRST_STEPS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"peelpoint {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def add(name: str, run: Command, summary: str, more: str = "") -> argparse.ArgumentParser:
        sub = commands.add_parser(
            name,
            help=summary,
            description=f"{summary}.\n\n{more}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(command=run)
        return sub

    def campaign_and_out(sub: argparse.ArgumentParser) -> None:
        sub.add_argument(
            "campaign", type=Path, metavar="CAMPAIGN", help="folder with boat.toml and logs/; never written to"
        )
        _out_option(sub)

    run = add(
        "run",
        _run,
        "run the whole chain on a campaign",
        "Reads the logs, tags the sail sets, computes the true wind, fits the surfaces, derives the crossovers\n"
        "and writes tables and reports. What did not change since the last run is not done again.",
    )
    campaign_and_out(run)
    _single_option(run)
    run.add_argument(
        "--suggested-log",
        type=Path,
        metavar="FILE",
        help="also write a sail log with the tag audit's findings in it to FILE, for you to accept or not; FILE must "
        "be new and outside the campaign folder",
    )
    run.add_argument("--explain", action="store_true", help="print what was done again, and why")
    _to_option(run)
    fleet = add(
        "fleet",
        _fleet,
        "run many campaigns",
        "Runs every campaign (folder with a boat.toml) in and below the folders given, on local processes or on the\n"
        "workers of a Dask cluster, and gathers their tables in OUT/tables: Parquet, partitioned by boat and season.\n"
        "Status 1 when a campaign could not be used; the others are done all the same.",
    )
    fleet.add_argument("folders", type=Path, nargs="+", metavar="FOLDER", help="campaigns, or folders that hold some")
    fleet.add_argument(
        "--out", default="reports/fleet", metavar="OUT", help="folder or object store; default reports/fleet"
    )
    fleet.add_argument("--work", type=Path, metavar="FOLDER", help="for the campaigns' stores and reports; default OUT")
    fleet.add_argument("--workers", type=int, metavar="N", help="local processes; default one a core")
    fleet.add_argument("--scheduler", metavar="ADDRESS", help="of a Dask cluster, such as tcp://10.0.0.5:8786")
    _to_option(fleet)
    check = add(
        "check",
        _check,
        "validate every input and change nothing",
        "Lists every problem of boat.toml, the sail log, the designed chart, the other files and the logs themselves,\n"
        "each with file and line. Status 1 when one of them must be put right first.",
    )
    check.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="folder with boat.toml and logs/")
    demo = add("demo", _demo, "run the chain on the invented season that comes with peelpoint")
    _out_option(demo)
    start = add(
        "start",
        _start,
        "look at logs and draft boat.toml and sail_log.csv",
        "Looks at the logs under FOLDER/logs (or in FOLDER itself), says what was found in them, and drafts the two\n"
        "files for a person to finish. Files that exist are left as they are.",
    )
    start.add_argument("folder", type=Path, metavar="FOLDER", help="folder that holds logs/")
    explain = add(
        "explain",
        _explain,
        "say what is known of one minute",
        "Which set was up and by which entry of the sail log, the wind, and whether the minute was kept or set aside,\n"
        "and why. Needs the result of an earlier `peelpoint run`.",
    )
    explain.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="the campaign folder")
    explain.add_argument("time", metavar="TIME", help="RFC 3339, e.g. 2027-07-03T14:05:00Z; without a zone: the boat's")
    _out_option(explain)
    for stage, does in (
        ("ingest", "read the logs into the store"),
        ("fit", "tag, find the wind and the windows, fit the surfaces, derive the crossovers"),
        ("report", "write the reports"),
    ):
        sub = add(stage, _one_stage(stage), f"one stage on its own: {does}")
        campaign_and_out(sub)
        if stage == "report":
            _single_option(sub)
    return parser


def _out_option(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--out",
        type=Path,
        metavar="OUT",
        help="where results go; default reports/<boat name> under the working directory",
    )


def _to_option(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--to", choices=STAGES, default=STAGES[-1], help="stop after this stage")


def _stages(arguments: argparse.Namespace) -> tuple[str, ...]:
    return STAGES[: STAGES.index(arguments.to) + 1]


def _single_option(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--single-files",
        action="store_true",
        help="write each page also as one file to send, into OUT/single",
    )


def _run(arguments: argparse.Namespace) -> int:
    from pipeline.chain import run_campaign
    from pipeline.suggested_log import refuse_bad_place, write_suggestion

    stages = _stages(arguments)
    suggested: Path | None = arguments.suggested_log
    if suggested is not None:
        if "fit" not in stages:
            raise WrongUsage(f"--suggested-log needs the surfaces, which --to {arguments.to} leaves out")
        refuse_bad_place(suggested, arguments.campaign)
    summary = run_campaign(
        arguments.campaign,
        arguments.out,
        stages=stages,
        single_files=arguments.single_files,
        progress=_Progress(),
    )
    for line in summary.explained if arguments.explain else ():
        _tell(line)
    _tell_summary(summary)
    if suggested is not None:
        for line in write_suggestion(arguments.campaign, summary.out, suggested):
            _tell(line)
    return DONE


def _fleet(arguments: argparse.Namespace) -> int:
    from pipeline.fleet.fleet import TABLES, run_fleet

    if arguments.workers is not None and arguments.workers < 1:
        raise WrongUsage("--workers must be at least 1")
    done = run_fleet(
        arguments.folders,
        arguments.out,
        scheduler=arguments.scheduler,
        workers=arguments.workers,
        work=arguments.work,
        stages=_stages(arguments),
        progress=_Progress(),
    )
    failed = [boat for boat in done if boat.problems]
    for boat in failed:
        for problem in boat.problems:
            print(f"error: {boat.campaign.folder}: {problem}", file=sys.stderr)
    new = sum(bool(boat.done) for boat in done)
    _tell(f"{len(done)} campaigns: {new} with something new, {len(failed)} that could not be used.")
    _tell(f"Results: {arguments.out.rstrip('/')}/{TABLES}")
    return UNUSABLE if failed else DONE


def _one_stage(stage: str) -> Command:
    def run(arguments: argparse.Namespace) -> int:
        from pipeline.chain import run_campaign

        single = stage == "report" and arguments.single_files
        _tell_summary(
            run_campaign(arguments.campaign, arguments.out, stages=(stage,), single_files=single, progress=_Progress())
        )
        return DONE

    return run


def _demo(arguments: argparse.Namespace) -> int:
    from pipeline.chain import run_campaign
    from pipeline.shipped import shipped

    _tell("The demo: an invented yacht and an invented season.")
    _tell_summary(run_campaign(shipped("sample_logs"), arguments.out, progress=_Progress()))
    return DONE


def _check(arguments: argparse.Namespace) -> int:
    from pipeline.checking import check_everything

    checked = check_everything(arguments.campaign, _Progress())
    for line in checked.found:
        _tell(line)
    _tell_problems(checked.problems)
    if any(p.fatal for p in checked.problems):
        return UNUSABLE
    count = len(checked.problems)
    warnings = f"{count} warning{'' if count == 1 else 's'} above" if count else "nothing to remark"
    _tell(f"{arguments.campaign}: can be run; {warnings}")
    return DONE


def _start(arguments: argparse.Namespace) -> int:
    from pipeline.start import draft_files

    result = draft_files(arguments.folder, progress=_Progress())
    for line in result.found:
        _tell(line)
    for path in result.written:
        _tell(f"drafted {path}: look for the lines marked TO DO")
    for path in result.left:
        _tell(f"{path} exists and was left as it is")
    return DONE


def _explain(arguments: argparse.Namespace) -> int:
    from pipeline.explain import explain_minute

    for line in explain_minute(arguments.campaign, arguments.time, arguments.out):
        _tell(line)
    return DONE


class _Progress:
    """One line on standard error a step, with the seconds since the start."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def __call__(self, text: str) -> None:
        print(f"[{time.monotonic() - self._start:6.1f} s] {text}", file=sys.stderr, flush=True)


def _tell(text: str) -> None:
    try:
        print(text, flush=True)
    except BrokenPipeError:
        # The reader (head, a pager) has left: finish quietly, and keep Python's own flush at exit from complaining.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(text: str) -> None:
    print(f"peelpoint: {text}", file=sys.stderr)


def _tell_problems(problems: Sequence[Problem]) -> None:
    for problem in problems:
        print(f"{'error' if problem.fatal else 'warning'}: {problem}", file=sys.stderr)
    fatal = sum(p.fatal for p in problems)
    if fatal:
        _complain(f"{fatal} {'problem' if fatal == 1 else 'problems'} to put right; nothing was changed")


def _tell_summary(summary: RunSummary) -> None:
    from pipeline.closing_summary import closing_lines

    for warning in summary.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    for line in closing_lines(summary):
        _tell(line)

"""A campaign folder: everything that people wrote, read together, every problem reported together."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.campaign.boat_file import read_boat
from pipeline.campaign.designed import read_designed, read_designed_speeds
from pipeline.campaign.other_files import read_conditions, read_exclude, read_races, read_settings_log
from pipeline.campaign.sail_log import read_sail_log
from pipeline.campaign.settings import Boat
from pipeline.campaign.toml_reading import did_you_mean
from pipeline.problems import Problem, UnusableInput

BOAT_FILE = "boat.toml"
SAIL_LOG_FILE = "sail_log.csv"
LOGS_FOLDER = "logs"
NO_FOLDER = "is missing: the instrument logs belong into it."
NO_FILES = "holds no log files."
CSV_FILES = (
    SAIL_LOG_FILE,
    "designed.csv",
    "designed_speeds.csv",
    "settings_log.csv",
    "races.csv",
    "exclude.csv",
    "conditions.csv",
)


@dataclass(frozen=True, slots=True)
class Campaign:
    """One boat over one season, as people wrote it. A file that is absent is None; `log_files` are sorted by path."""

    folder: Path
    boat: Boat
    sail_log: pl.DataFrame | None
    designed: pl.DataFrame | None
    designed_speeds: pl.DataFrame | None
    settings_log: pl.DataFrame | None
    races: pl.DataFrame | None
    exclude: pl.DataFrame | None
    conditions: pl.DataFrame | None
    log_files: tuple[Path, ...]
    warnings: tuple[Problem, ...]


def read_campaign(folder: Path, *, logs_needed: bool = True) -> Campaign:
    """The campaign in `folder`. Raises `UnusableInput` with every problem where one of them is fatal.

    Where logs are not needed, for they are in the store already, their absence is no more than a warning.
    """
    boat, tables, logs, problems = _read_all(folder, strict=False)
    if not logs_needed and not logs and problems[-1].what in (NO_FOLDER, NO_FILES):
        told = f"{problems[-1].what} The samples read from them earlier are used."
        problems[-1] = replace(problems[-1], what=told, fatal=False)
    if boat is None or any(p.fatal for p in problems):
        raise UnusableInput(problems)
    return Campaign(folder=folder, boat=boat, **tables, log_files=logs, warnings=tuple(problems))


def campaign_for_logs(folder: Path) -> Campaign | None:
    """The campaign as far as it can be read, to check its logs by; None where `boat.toml` cannot be used at all."""
    boat, tables, logs, problems = _read_all(folder, strict=False)
    return None if boat is None else Campaign(folder, boat, **tables, log_files=logs, warnings=tuple(problems))


def check_campaign(folder: Path) -> list[Problem]:
    """Every problem of the campaign, fatal ones and warnings.

    Stricter than `read_campaign`: sails and sets that `boat.toml` does not know, and kinds that dimensions contradict,
    are fatal. Log files are only listed here, not opened.
    """
    return _read_all(folder, strict=True)[3]


def _read_all(
    folder: Path, *, strict: bool
) -> tuple[Boat | None, dict[str, pl.DataFrame | None], tuple[Path, ...], list[Problem]]:
    names, problems = _listing(folder)
    if names is None:
        return None, {}, (), problems
    boat, boat_problems = read_boat(folder / BOAT_FILE, strict=strict)
    if boat is None:
        boat = read_boat(folder / BOAT_FILE)[0]  # names are judged all the same where the boat can be used at all
    problems += boat_problems
    readers: dict[str, Callable[[Path], tuple[pl.DataFrame, list[Problem]]]] = {
        "sail_log": lambda path: read_sail_log(path, boat, strict=strict),
        "designed": lambda path: read_designed(path, boat, strict=strict),
        "designed_speeds": lambda path: read_designed_speeds(path, boat, strict=strict),
        "settings_log": lambda path: read_settings_log(path, boat),
        "races": lambda path: read_races(path, boat),
        "exclude": lambda path: read_exclude(path, boat),
        "conditions": read_conditions,
    }
    tables: dict[str, pl.DataFrame | None] = {}
    for key, reader in readers.items():
        tables[key] = None
        if f"{key}.csv" in names:
            tables[key], found = reader(folder / f"{key}.csv")
            problems += found
    problems += _misnamed(names, [f"{key}.csv" for key in readers])
    if SAIL_LOG_FILE not in names:
        what = "is missing: all time counts as one set named 'unlogged'."
        problems.append(Problem(SAIL_LOG_FILE, what, fatal=False))
    logs, found = list_logs(folder)
    return boat, tables, logs, problems + found


def _listing(folder: Path) -> tuple[set[str] | None, list[Problem]]:
    try:
        if not folder.exists():
            return None, [Problem(str(folder), "there is no such folder.")]
        if not folder.is_dir():
            what = "is a file, not a campaign folder: a campaign holds boat.toml, sail_log.csv and logs/."
            return None, [Problem(str(folder), what)]
        names = {entry.name for entry in os.scandir(folder)}
    except OSError as e:
        return None, [Problem(str(folder), f"cannot be read ({e.strerror or e}).")]
    if not names:
        return None, [Problem(str(folder), "is empty: a campaign holds boat.toml, sail_log.csv and logs/.")]
    return names, []


def _misnamed(names: set[str], expected: list[str]) -> list[Problem]:
    """Files that look like one of a campaign's under a slightly wrong name; they would be passed over in silence."""
    problems = []
    for name in sorted(names - set(expected)):
        if name.casefold().endswith(".csv") and (hint := did_you_mean(name, [e for e in expected if e not in names])):
            problems.append(Problem(name, f"is no file of a campaign and is passed over.{hint}", fatal=False))
    return problems


def _noted(folder: Path, path: Path, what: str) -> Problem:
    return Problem(path.relative_to(folder).as_posix(), what, fatal=False)


def _strange_files(folder: Path, files: list[Path]) -> list[Problem]:
    """What is passed over because it is no file, and links that lead out of the campaign: its sender may not know."""
    noted = [_noted(folder, f, "is no file (or a broken link) and is passed over.") for f in files if not f.is_file()]
    home = (folder / LOGS_FOLDER).resolve()
    for link in (f for f in files if f.is_symlink() and f.is_file()):
        if home not in link.resolve().parents:
            noted.append(_noted(folder, link, f"is a link to {link.resolve()}, outside logs/; it is read."))
    return noted


def list_logs(folder: Path) -> tuple[tuple[Path, ...], list[Problem]]:
    """Files under `folder`/logs, at any depth, sorted by path, hidden ones left out; a problem where there are none."""
    logs = folder / LOGS_FOLDER
    problems: list[Problem] = []

    def unreadable(error: OSError) -> None:
        where = Path(error.filename).relative_to(folder) if error.filename else LOGS_FOLDER
        problems.append(Problem(str(where), f"cannot be read ({error.strerror or error})."))

    if not logs.exists():
        return (), [Problem(f"{LOGS_FOLDER}/", NO_FOLDER)]
    if not logs.is_dir():
        return (), [Problem(LOGS_FOLDER, "is a file; it must be the folder with the instrument logs.")]
    files: list[Path] = []
    for place, folders, names in os.walk(logs, onerror=unreadable):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        files += [Path(place) / n for n in names if not n.startswith(".")]
        links = [Path(place) / f for f in folders if (Path(place) / f).is_symlink()]
        problems += [_noted(folder, link, "is a link to a folder and is not followed.") for link in links]
    problems += _strange_files(folder, files)
    if not files and not problems:
        problems.append(Problem(f"{LOGS_FOLDER}/", NO_FILES))
    return tuple(sorted(f for f in files if f.is_file())), problems

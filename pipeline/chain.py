"""The order of the stages: logs into the store, windows from it, surfaces and crossovers from those, reports last.

A run is one transaction on the store; tables and pages are written aside and moved in whole. A stage whose inputs
(files, settings, code) did not change is not redone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline import output_folder
from pipeline.campaign.campaign import CSV_FILES, Campaign, read_campaign
from pipeline.digests import digest_of
from pipeline.ingest.export import export_tables, exported
from pipeline.ingest.season import ingest_logs
from pipeline.ingest.store import Store
from pipeline.problems import Problem, UnusableInput
from pipeline.shipped import code_digest
from pipeline.stages import STAGES
from pipeline.stages.piece_records import BOAT, CODE, LOGS

Progress = Callable[[str], None]

# Under [extra] in boat.toml: marks a campaign as invented, on every page.
INVENTED = "invented"
TABLES_OF = {"ingest": ("files", "rejected"), "windows": ("segments", "windows", "set_aside", "thresholds", "flags")}
FIT_TABLES = ("segments", "windows", "surfaces", "best_set", "crossovers", "design_comparison")
CALIBRATION_TABLES = (
    "calibration",
    "calibration_details",
    "calibration_days",
    "calibration_drift",
    "calibration_effect",
    "current",
    "plausibility",
)


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a run did: stages done or found unchanged, where the results are, and the tables a closing word needs.

    `explained`: line by line what was done again, and why.
    """

    boat: str
    out: Path
    done: tuple[str, ...]
    unchanged: tuple[str, ...]
    warnings: tuple[Problem, ...]
    tables: dict[str, pl.DataFrame]
    explained: tuple[str, ...] = ()


def _silent(_: str) -> None:
    pass


def run_campaign(
    folder: Path,
    out: Path | None = None,
    *,
    stages: Iterable[str] = STAGES,
    single_files: bool = False,
    progress: Progress | None = None,
) -> RunSummary:
    """Run the stages asked for on a campaign folder; the fit brings the windows up to date first.

    `out` defaults to `reports/<boat name>` under the working directory. Raises `UnusableInput` with every problem
    found, `WrongUsage` for an output folder that must not be written to; what the folder held then stays as it was.
    """
    from pipeline.stages import why
    from pipeline.stages.windows import STAGE as WINDOWS
    from pipeline.stages.windows import update_windows

    say = progress or _silent
    wanted = set(stages)
    campaign = read_campaign(folder, logs_needed=False)
    target = out if out is not None else output_folder.default_out(campaign.boat.name)
    if not (target / output_folder.STORE_NAME).is_file():
        campaign = read_campaign(folder)
    output_folder.claim(target, campaign.folder)
    done: list[str] = []
    unchanged: list[str] = []
    words: list[str] = []
    with Store.open(target / output_folder.STORE_NAME) as store, output_folder.aside(target) as finished:
        files = store.read_table("files")
        if "ingest" in wanted and not campaign.log_files and store.has_samples():
            words.append(why.explained_absence())
        elif "ingest" in wanted:
            before = _logs_in(files)
            ingest_logs(store, campaign, say)
            files = store.read_table("files")
            after = _logs_in(files)
            words.append(why.explained_logs(len(after - before), len(after & before), len(before - after)))
        logs = _ingest_fingerprint(store, files)
        if logs is None:
            raise UnusableInput(
                [Problem(str(target), "holds no samples yet: run `peelpoint ingest` on the campaign first")]
            )
        if wanted & {"windows", "fit"}:
            redone = update_windows(store, campaign, say)
            (done if redone.changed else unchanged).append("windows")
            words += why.explained_windows(redone)
        fit_from = {
            LOGS: logs,
            "the windows": store.fingerprint(WINDOWS) or "",
            **{name: _content(campaign, name) for name in CSV_FILES},
            BOAT: digest_of(repr(campaign.boat)),
            CODE: code_digest(),
        }
        if "fit" in wanted:
            changed = why.what_changed(store, "fit", fit_from)
            words.append(why.explained("fit", changed))
            if changed:
                _fit(store, campaign, say)
                why.note_made_from(store, "fit", fit_from)
            (done if changed else unchanged).append("fit")
        published = output_folder.read_marker(target)
        if "report" in wanted:
            if store.fingerprint("fit") is None:
                raise UnusableInput(
                    [Problem(str(target), "holds no surfaces yet: run `peelpoint fit` on the campaign first")]
                )
            report_key = digest_of(*fit_from.values(), "report", "single files" if single_files else "")
            is_there = published.get("report") == report_key and (target / "index.html").is_file()
            words.append(why.explained("report", () if is_there else ("what it shows",)))
            if not is_there:
                say("writing reports")
                _report(store, campaign, finished, single_files)
                published["report"] = report_key
            (unchanged if is_there else done).append("report")
        _export(store, target, finished, published, digest_of(logs, _names_of(files)), say)
        shown = ("files", "flags", *(FIT_TABLES if wanted & {"fit", "report"} else FIT_TABLES[:2]))
        tables = {name: store.read_table(name) for name in shown if store.has_table(name)}
        store.commit()
        # Only after the store is safe: a run killed here is finished by the next, whose marker does not match.
        output_folder.publish(finished, target)
        output_folder.write_marker(target, published)
        if "report" in done and not single_files:
            output_folder.drop(target, "single")
    return RunSummary(
        campaign.boat.name, target, tuple(done), tuple(unchanged), campaign.warnings, tables, tuple(words)
    )


def _export(store: Store, target: Path, finished: Path, published: dict[str, str], logs: str, say: Progress) -> None:
    """Write the tables of every stage that changed since the tables in `target` were written; `logs` is a digest."""
    keys = {
        "ingest": logs,
        "windows": digest_of(logs, store.fingerprint("windows") or ""),
        "fit": store.fingerprint("fit") or "",
    }
    stale = [s for s, key in keys.items() if published.get(f"tables of {s}") != key or not (target / "tables").is_dir()]
    if not stale:
        return
    say("writing tables")
    of_stages = {name for names in TABLES_OF.values() for name in names}
    every = exported(store)
    tables = {name for stage in stale for name in TABLES_OF.get(stage, every - of_stages)}
    export_tables(store, finished / "tables", tables & every)
    published.update({f"tables of {stage}": keys[stage] for stage in stale})


def _fit(store: Store, campaign: Campaign, say: Progress) -> None:
    """From samples to calibration, surfaces and crossovers, all tables into the store."""
    from pipeline.calibration.season import calibrate
    from pipeline.calibration.wind_doubt import doubt_by_set
    from pipeline.crossovers.season import DRAWS, SEED, cross
    from pipeline.decisions.conditions import conditions_of
    from pipeline.decisions.fit_by_names import fit_by_names
    from pipeline.decisions.season import Season, decide
    from pipeline.diagnostics.season import diagnose
    from pipeline.stages.windows import read_wind
    from pipeline.surfaces.calibration_doubt import CalibrationDoubt

    boat = campaign.boat
    wind = read_wind(store)
    segments, sessions, windows = (store.read_table(name) for name in ("segments", "sessions", "windows"))
    # One thread: the matrices are small, threads would only wait for each other (measured: 4 to 30 times slower), and
    # the last digits would depend on their number.
    with threadpool_limits(limits=1, user_api="blas"):
        calibrated = calibrate(wind, segments, sessions, boat, settings_log=campaign.settings_log, progress=say)
        say(f"fitting surfaces to {windows.height} steady windows")
        fit = fit_by_names(windows, boat, progress=say)
        say("finding crossovers")
        doubt = CalibrationDoubt(*doubt_by_set(calibrated.wind, boat.calibration))
        log_draws = np.log(fit.draws(DRAWS, SEED, calibration=doubt))
        tables = cross(fit, boat, log_draws, campaign.designed, campaign.designed_speeds)
        say("deciding")
        season = Season(
            campaign=campaign,
            wind=wind,
            segments=segments,
            sessions=sessions,
            windows=windows,
            fit=fit,
            log_draws=log_draws,
            tables=tables,
            conditions=conditions_of(wind, campaign.conditions),
        )
        decisions = decide(season)
        diagnostics = diagnose(season)
    for name, frame in {
        "surfaces": fit.surfaces,
        **tables,
        **decisions,
        **diagnostics,
        **calibrated.tables,
    }.items():
        store.write_table(name, frame)


def _report(store: Store, campaign: Campaign, finished: Path, single_files: bool) -> None:
    from pipeline.diagnostics.season import SCHEMAS as DIAGNOSTICS
    from pipeline.reporting.context import ReportContext, numbers_of
    from pipeline.reporting.pages import write_pages
    from pipeline.reporting.records.frames import DECISIONS

    names = ("files", "rejected", "flags", *FIT_TABLES, "targets", *CALIBRATION_TABLES, "thresholds", "set_aside")
    write_pages(
        {name: store.read_table(name) for name in (*names, *DIAGNOSTICS, *DECISIONS)},
        campaign.boat,
        finished,
        designed=campaign.designed,
        races=campaign.races,
        context=ReportContext(
            campaign=campaign.folder.resolve().name,
            warnings=(*campaign.warnings, *numbers_of(campaign.boat)[1]),
            numbers=numbers_of(campaign.boat)[0],
            single_files=single_files,
            invented=bool(campaign.boat.extra.get(INVENTED)),
        ),
    )


def _ingest_fingerprint(store: Store, files: pl.DataFrame) -> str | None:
    """Of the logs in the store and how they were read; None while there are none."""
    if files.is_empty():
        return None
    return digest_of(*sorted(files["sha256"].to_list()), store.fingerprint("ingest") or "")


def _names_of(files: pl.DataFrame) -> str:
    return files.select("file", "also_named").sort("file").write_json()


def _logs_in(files: pl.DataFrame) -> set[tuple[str, str]]:
    return set(files.select("sha256", "settings").iter_rows())


def _content(campaign: Campaign, name: str) -> str:
    path = campaign.folder / name
    return digest_of(path.read_bytes()) if path.is_file() else "absent"

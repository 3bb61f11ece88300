"""The order of the stages: logs into the store, surfaces and crossovers from it, reports from those.

A run is one transaction on the store; tables and pages are written aside and moved in whole. A stage whose inputs
(files, settings, code) did not change is not redone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline import output_folder
from pipeline.campaign.campaign import Campaign, read_campaign
from pipeline.ingest.export import export_tables
from pipeline.ingest.season import ingest_logs
from pipeline.ingest.store import Store
from pipeline.problems import Problem, UnusableInput
from pipeline.shipped import code_digest

Progress = Callable[[str], None]

# What people wrote beside the logs; each may change what the fit gives.
FIT_INPUTS = (
    "boat.toml",
    "sail_log.csv",
    "designed.csv",
    "designed_speeds.csv",
    "settings_log.csv",
    "exclude.csv",
    "races.csv",
    "conditions.csv",
)
# Under [extra] in boat.toml: marks a campaign as invented, on every page.
INVENTED = "invented"
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
    """What a run did: stages done or found unchanged, where the results are, and the tables a closing word needs."""

    boat: str
    out: Path
    done: tuple[str, ...]
    unchanged: tuple[str, ...]
    warnings: tuple[Problem, ...]
    tables: dict[str, pl.DataFrame]


def _silent(_: str) -> None:
    pass


def run_campaign(
    folder: Path,
    out: Path | None = None,
    *,
    stages: Iterable[str] = ("ingest", "fit", "report"),
    progress: Progress | None = None,
) -> RunSummary:
    """Run the stages asked for on a campaign folder.

    `out` defaults to `reports/<boat name>` under the working directory. Raises `UnusableInput` with every problem
    found, `WrongUsage` for an output folder that must not be written to; what the folder held then stays as it was.
    """
    say = progress or _silent
    wanted = tuple(stages)
    campaign = read_campaign(folder)
    target = out if out is not None else output_folder.default_out(campaign.boat.name)
    output_folder.claim(target, campaign.folder)
    done: list[str] = []
    unchanged: list[str] = []
    with Store.open(target / output_folder.STORE_NAME) as store, output_folder.aside(target) as finished:
        if "ingest" in wanted:
            ingest_logs(store, campaign, say)
        logs = _ingest_fingerprint(store)
        if logs is None:
            raise UnusableInput(
                [Problem(str(target), "holds no samples yet: run `peelpoint ingest` on the campaign first")]
            )
        fit_key = _fingerprint(logs, _contents(campaign, FIT_INPUTS), code_digest())
        report_key = _fingerprint(fit_key, "report")
        if "fit" in wanted:
            if store.fingerprint("fit") == fit_key:
                unchanged.append("fit")
            else:
                _fit(store, campaign, say)
                store.set_fingerprint("fit", fit_key)
                done.append("fit")
        published = output_folder.read_marker(target)
        if "report" in wanted:
            if store.fingerprint("fit") is None:
                raise UnusableInput(
                    [Problem(str(target), "holds no surfaces yet: run `peelpoint fit` on the campaign first")]
                )
            if published.get("report") == report_key and (target / "index.html").is_file():
                unchanged.append("report")
            else:
                say("writing reports")
                _report(store, campaign, finished)
                published["report"] = report_key
                done.append("report")
        names = store.read_table("files").select("file", "also_named").sort("file").write_json()
        tables_key = _fingerprint(logs, names, store.fingerprint("fit") or "")
        if published.get("tables") != tables_key or not (target / "tables").is_dir():
            say("writing tables")
            export_tables(store, finished / "tables")
            published["tables"] = tables_key
        tables = {name: store.read_table(name) for name in ("files", "flags", *FIT_TABLES) if store.has_table(name)}
        store.commit()
        # Only after the store is safe: a run killed here is finished by the next, whose marker does not match.
        output_folder.publish(finished, target)
        output_folder.write_marker(target, published)
    return RunSummary(campaign.boat.name, target, tuple(done), tuple(unchanged), campaign.warnings, tables)


def _fit(store: Store, campaign: Campaign, say: Progress) -> None:
    """From samples to calibration, surfaces and crossovers, all tables into the store."""
    from pipeline.calibration.season import calibrate
    from pipeline.calibration.wind_doubt import doubt_by_set
    from pipeline.crossovers.season import DRAWS, SEED, cross
    from pipeline.decisions.conditions import conditions_of
    from pipeline.decisions.season import Season, decide
    from pipeline.diagnostics.season import diagnose
    from pipeline.sailing.sessions import find_sessions
    from pipeline.sailing.tagging import set_at, tag_sail_sets
    from pipeline.sailing.wind_of_samples import add_true_wind
    from pipeline.sailing.windows import steady_windows
    from pipeline.surfaces.calibration_doubt import CalibrationDoubt
    from pipeline.surfaces.season import fit_season

    boat = campaign.boat
    say("tagging sail sets")
    samples = store.read_samples()
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(campaign.sail_log, boat, sessions)
    say("computing the true wind")
    wind = add_true_wind(samples, boat, set_at(samples["time"], segments))
    say("finding steady windows")
    steady = steady_windows(
        wind.samples, segments, sessions, boat, exclude=campaign.exclude, settings_log=campaign.settings_log
    )
    # One thread: the matrices are small, threads would only wait for each other (measured: 4 to 30 times slower), and
    # the last digits would depend on their number.
    with threadpool_limits(limits=1, user_api="blas"):
        calibrated = calibrate(wind.samples, segments, sessions, boat, settings_log=campaign.settings_log, progress=say)
        say(f"fitting surfaces to {steady.windows.height} steady windows")
        fit = fit_season(steady.windows, boat, progress=say)
        say("finding crossovers")
        doubt = CalibrationDoubt(*doubt_by_set(calibrated.wind, boat.calibration))
        log_draws = np.log(fit.draws(DRAWS, SEED, calibration=doubt))
        tables = cross(fit, boat, log_draws, campaign.designed, campaign.designed_speeds)
        say("deciding")
        season = Season(
            campaign=campaign,
            wind=wind.samples,
            segments=segments,
            sessions=sessions,
            windows=steady.windows,
            fit=fit,
            log_draws=log_draws,
            tables=tables,
            conditions=conditions_of(wind.samples, campaign.conditions),
        )
        decisions = decide(season)
        diagnostics = diagnose(season)
    ingest_flags = store.read_table("flags").filter(pl.col("stage") == "ingest")
    for name, frame in {
        "segments": segments,
        "wind": _kept_wind(wind.samples),
        "windows": steady.windows,
        "set_aside": steady.set_aside,
        "thresholds": steady.thresholds,
        "surfaces": fit.surfaces,
        **tables,
        **decisions,
        **diagnostics,
        **calibrated.tables,
        "flags": pl.concat([ingest_flags, wind.flags, steady.flags], how="diagonal_relaxed"),
    }.items():
        store.write_table(name, frame)


WIND_COLUMNS = (
    "time",
    "sail_set",
    "bsp_kn",
    "speed_source",
    "hdg_deg",
    "awa_deg",
    "aws_kn",
    "leeway_deg",
    "twa_deg",
    "tws_kn",
    "twd_deg",
    "ctw_deg",
)


def _kept_wind(samples: pl.DataFrame) -> pl.DataFrame:
    return samples.select([c for c in WIND_COLUMNS if c in samples.columns])


def _report(store: Store, campaign: Campaign, finished: Path) -> None:
    from pipeline.diagnostics.season import SCHEMAS as DIAGNOSTICS
    from pipeline.reporting.context import ReportContext
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
            warnings=campaign.warnings,
            invented=bool(campaign.boat.extra.get(INVENTED)),
        ),
    )


def _ingest_fingerprint(store: Store) -> str | None:
    """Of the logs in the store and how they were read; None while there are none."""
    if not store.has_table("files"):
        return None
    files = store.read_table("files")
    if files.is_empty():
        return None
    return _fingerprint(*sorted(files["sha256"].to_list()), store.fingerprint("ingest") or "")


def _contents(campaign: Campaign, names: Iterable[str]) -> str:
    digest = hashlib.sha256()
    for name in names:
        path = campaign.folder / name
        digest.update(name.encode() + b"\0" + (path.read_bytes() if path.is_file() else b"absent") + b"\0")
    return digest.hexdigest()


def _fingerprint(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()

"""What is known of one minute: the set that was up, the wind, and why the minute was kept or set aside."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import output_folder
from pipeline.angles import circular_mean, wrap_180
from pipeline.campaign.campaign import read_campaign
from pipeline.campaign.stamps import BadStamp, load_zone, parse_stamp
from pipeline.ingest.store import Store
from pipeline.problems import Problem, UnusableInput, WrongUsage

MISSING = "—"
MINUTE = timedelta(minutes=1)
SAIL_LOG_REACH = timedelta(hours=12)


def explain_minute(folder: Path, text: str, out: Path | None = None) -> list[str]:
    """Lines that say what is known of the minute that begins at `text` (RFC 3339; the boat's zone where none is given).

    Raises `WrongUsage` for a time that cannot be read, `UnusableInput` where there is no result of a run yet.
    """
    campaign = read_campaign(folder)
    at = _time(text, campaign.boat.instruments.time_zone)
    target = out if out is not None else output_folder.default_out(campaign.boat.name)
    path = target / output_folder.STORE_NAME
    if not path.is_file():
        raise UnusableInput([Problem(str(target), f"holds no result yet: run `peelpoint run {folder}` first")])
    with Store.open(path, read_only=True) as store:
        if not store.has_table("segments"):
            raise UnusableInput(
                [Problem(str(target), f"has no sail sets tagged yet: run `peelpoint run {folder}` first")]
            )
        lines = [f"{campaign.boat.name}, the minute from {at:%Y-%m-%d %H:%M:%S} UTC"]
        lines += _set(store.read_table("segments"), at)
        lines += _entries(campaign.sail_log, at)
        lines += _wind(store.read_span("wind", at, at + MINUTE), store.read_span("samples", at, at + MINUTE))
        lines += _kept(store, at)
        return lines


def _time(text: str, zone: str) -> datetime:
    try:
        return parse_stamp(text, load_zone(zone) or UTC)
    except BadStamp as error:
        raise WrongUsage(f"TIME {text!r} {error}") from error


def _overlapping(frame: pl.DataFrame, at: datetime) -> pl.DataFrame:
    return frame.filter((pl.col("start") < at + MINUTE) & (pl.col("end") > at)).sort("start")


def _set(segments: pl.DataFrame, at: datetime) -> list[str]:
    found = _overlapping(segments, at)
    if found.is_empty():
        return ["sail set   none: no log covers this minute"]
    lines = []
    for row in found.iter_rows(named=True):
        reason = f"; {row['reason']}" if row.get("reason") else ""
        lines.append(
            f"sail set   {row['sail_set']} from {row['start']:%H:%M:%S} to {row['end']:%H:%M:%S} "
            f"({row['source']}, {row['quality']}{reason})"
        )
    return lines


def _entries(sail_log: pl.DataFrame | None, at: datetime) -> list[str]:
    if sail_log is None:
        return ["sail log   there is none"]
    before = sail_log.filter((pl.col("time") <= at) & (pl.col("time") > at - SAIL_LOG_REACH)).tail(3)
    after = sail_log.filter((pl.col("time") > at) & (pl.col("time") < at + SAIL_LOG_REACH)).head(1)
    lines = [_entry(row, "before") for row in before.iter_rows(named=True)]
    lines += [_entry(row, "after") for row in after.iter_rows(named=True)]
    return lines or ["sail log   no entry within 12 h"]


def _entry(row: dict[str, Any], side: str) -> str:
    sail = row["sail"] or ""
    return f"sail log   {side}: {row['time']:%m-%d %H:%M:%S} {row['action']} {sail} (line {row['line']})"


def _wind(wind: pl.DataFrame, samples: pl.DataFrame) -> list[str]:
    if wind.is_empty():
        return ["wind       no samples in this minute"]
    source = wind["speed_source"].drop_nulls().unique().sort().to_list()
    own = "; the instruments' own: TWS {}, TWA {}".format(
        _mean(samples, "tws", "kn", 1), _angle(samples, "twa") if "twa" in samples.columns else MISSING
    )
    return [
        f"true wind  TWS {_mean(wind, 'tws_kn', 'kn', 1)}, TWA {_angle(wind, 'twa_deg')}, "
        f"TWD {_angle(wind, 'twd_deg', True)}{own}",
        f"apparent   AWS {_mean(wind, 'aws_kn', 'kn', 1)}, AWA {_angle(wind, 'awa_deg')}",
        f"boat       speed {_mean(wind, 'bsp_kn', 'kn', 2)} ({', '.join(source) or MISSING}), heading "
        f"{_angle(wind, 'hdg_deg', True)}, heel {_angle(samples, 'heel')}, leeway {_angle(wind, 'leeway_deg')}",
    ]


def _mean(frame: pl.DataFrame, column: str, unit: str, digits: int) -> str:
    value = frame[column].mean() if column in frame.columns else None
    return MISSING if value is None else f"{value:.{digits}f} {unit}"


def _angle(frame: pl.DataFrame, column: str, from_north: bool = False) -> str:
    if column not in frame.columns or frame[column].null_count() == frame.height:
        return MISSING
    mean = float(circular_mean(frame[column].drop_nulls().to_numpy()))
    return f"{mean:03.0f} deg" if from_north else f"{float(wrap_180(mean)):+.1f} deg"


def _kept(store: Store, at: datetime) -> list[str]:
    lines = []
    for row in _overlapping(store.read_table("windows"), at).iter_rows(named=True):
        lines.append(
            f"kept       steady window {row['start']:%H:%M:%S} to {row['end']:%H:%M:%S}: {row['bsp_kn']:.2f} kn at TWS "
            f"{row['tws_kn']:.1f} kn, TWA {row['twa_deg']:+.1f} deg"
        )
    for row in _overlapping(store.read_table("set_aside"), at).iter_rows(named=True):
        lines.append(f"set aside  {row['start']:%H:%M:%S} to {row['end']:%H:%M:%S}: {row['reason']}")
    return lines or ["kept       no: no steady window touches this minute"]

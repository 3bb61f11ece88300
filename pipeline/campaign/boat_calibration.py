"""The table `[calibration]` of `boat.toml`, with its periods and its values for a set."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Boat, Calibration, Corrections, Instruments
from pipeline.campaign.stamps import BadStamp, load_zone, parse_stamp, to_utc
from pipeline.campaign.toml_reading import TableReader

# parameter -> lowest and highest sane value, unit
_RANGES: dict[str, tuple[float, float, str]] = {
    "boat_speed_factor": (0.5, 2.0, ""),
    "heading_offset_deg": (-180.0, 180.0, "deg"),
    "awa_offset_deg": (-180.0, 180.0, "deg"),
    "aws_factor": (0.5, 2.0, ""),
    "upwash_deg": (-30.0, 30.0, "deg"),
    "leeway_coefficient": (0.0, 50.0, ""),
}
_OF_A_SET = ("upwash_deg", "aws_factor")


def read_calibration(top: TableReader, instruments: Instruments) -> Calibration:
    """The calibration; a period given as a date begins at midnight of `instruments.time_zone`."""
    table = top.inside("calibration")
    if table is None:
        return Calibration()
    given = _corrections(table, tuple(_RANGES))
    values = {key: getattr(DEFAULT_CORRECTIONS, key) if v is None else v for key, v in given.items()}
    periods: list[tuple[datetime, Corrections]] = []
    for entry in table.array("periods"):
        start = _start(entry, instruments)
        inside = _corrections(entry, tuple(_RANGES))
        entry.close()
        if all(v is None for v in inside.values()):
            entry.report(None, "this calibration period gives no value.", fatal=False)
        if start is not None:
            periods.append((start, Corrections(**inside)))
    if len({start for start, _ in periods}) < len(periods):
        table.report("periods", "two calibration periods begin at the same time.")
    sets: dict[str, Corrections] = {}
    if (named := table.inside("sets")) is not None:
        for name in named.table:
            if (inner := named.inside(name)) is not None:
                sets[name] = Corrections(**_corrections(inner, _OF_A_SET))
                inner.close()
    table.close()
    return Calibration(Corrections(**values), tuple(sorted(periods, key=lambda p: p[0])), sets)


def check_set_names(top: TableReader, boat: Boat) -> None:
    """Warn of `[calibration.sets]` for sets that this boat cannot fly."""
    for name in boat.calibration.sets:
        if sails_of(name, boat) is None:
            known = " ".join(s.name for s in boat.sail_sets)
            top.document.report(
                ("calibration", "sets", name),
                f"'{name}' is no sail set of this boat, so its calibration is never used. "
                f"Named sets: {known or 'none'}.",
                fatal=False,
            )


def _corrections(table: TableReader, keys: tuple[str, ...]) -> dict[str, float | None]:
    return {key: table.number(key, *_RANGES[key]) for key in keys}


def _start(entry: TableReader, instruments: Instruments) -> datetime | None:
    value: Any = entry.raw("from", required=True)
    zone = load_zone(instruments.time_zone) or UTC
    try:
        if isinstance(value, datetime):
            return to_utc(value, zone) if value.tzinfo is None else value.astimezone(UTC).replace(tzinfo=None)
        if isinstance(value, date):
            return to_utc(datetime(value.year, value.month, value.day), zone)
        if isinstance(value, str):
            return parse_stamp(value if ":" in value else f"{value}T00:00", zone)
    except (BadStamp, OverflowError) as e:
        entry.report("from", f"'from' {e}.")
        return None
    if value is not None:
        entry.wrong("from", "a date or a time, such as 2027-07-02")
    return None

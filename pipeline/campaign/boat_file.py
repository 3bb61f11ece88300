"""`boat.toml` into a `Boat`: all that is wrong with it reported together, each with its line."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from pipeline.campaign.boat_calibration import check_set_names, read_calibration
from pipeline.campaign.boat_logs import read_channels, read_csv_layouts
from pipeline.campaign.boat_sails import read_sail_sets, read_sails
from pipeline.campaign.settings import Boat, DesignBasis, Displays, Instruments, Rules
from pipeline.campaign.stamps import load_zone
from pipeline.campaign.toml_reading import TableReader, parse_toml
from pipeline.problems import Problem

UNFINISHED = "TO DO"  # in a comment of a drafted file: the value is not yet this boat's
MAX_LENGTH_M = 200.0
MAX_HEIGHT_M = 150.0


def read_boat(path: Path, *, strict: bool = False) -> tuple[Boat | None, list[Problem]]:
    """The boat of `path` and every problem found, in the order of the lines; None where one of them is fatal.

    Warnings (`fatal=False`) leave a usable boat: an assumption that was made, a rule that a set breaks, a calibration
    for a set that the boat does not have. A kind that its own dimensions contradict is fatal only where `strict`.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return None, [Problem(path.name, "is missing: `peelpoint start` drafts one from the logs.")]
    except OSError as e:
        return None, [Problem(path.name, f"cannot be read ({e.strerror or e}).")]
    return parse_boat(data, path.name, strict=strict)


def parse_boat(data: bytes, file: str = "boat.toml", *, strict: bool = False) -> tuple[Boat | None, list[Problem]]:
    """As `read_boat`, of the file's bytes."""
    tree, document = parse_toml(data, file)
    if tree is None:
        return None, document.problems
    boat = _read(TableReader(tree, (), document), strict)
    for number, row in enumerate(data.splitlines(), 1):
        if b"# " + UNFINISHED.encode() in row:
            what = f"still carries the draft's mark '{UNFINISHED}': put the boat's own value and delete the mark."
            document.problems.append(Problem(file, what, number, fatal=False))
    problems = sorted(document.problems, key=lambda p: (p.line or 0, p.what))
    return (None if any(p.fatal for p in problems) else boat), problems


def _read(top: TableReader, strict: bool) -> Boat:
    hull = _section(top, "boat", "name and loa_m")
    name = hull.text("name", required=True) or ""
    loa_m = hull.number("loa_m", 0.0, MAX_LENGTH_M, "m", above=True, required=True) or 0.0
    lwl_m = hull.number("lwl_m", 0.0, MAX_LENGTH_M, "m", above=True)
    if lwl_m is not None and loa_m and lwl_m > loa_m:
        hull.report("lwl_m", f"lwl_m {lwl_m:g} is longer than loa_m {loa_m:g}.", fatal=False)
    hull.close()

    instruments = _instruments(_section(top, "instruments", "wind_sensor_height_m"))
    sails = read_sails(top, strict=strict)
    sail_sets = read_sail_sets(top, sails)
    boat = Boat(
        name=name,
        loa_m=loa_m,
        lwl_m=lwl_m,
        instruments=instruments,
        calibration=read_calibration(top, instruments),
        design=_design(top),
        displays=_displays(top),
        sails=sails,
        sail_sets=sail_sets,
        rules=_rules(top),
        channels=read_channels(top),
        csv=read_csv_layouts(top),
        extra=_extra(top),
    )
    check_set_names(top, boat)
    _check_rules(top, boat)
    top.close()
    return boat


def _section(top: TableReader, key: str, needs: str) -> TableReader:
    if key not in top.table:
        top.report(None, f"[{key}] is missing, with {needs}.")
        top.known.append(key)
        empty = TableReader({}, (key,), top.document)
        empty.raw = lambda key, required=False: None  # type: ignore[method-assign]  # said once, not for each key
        return empty
    return top.inside(key) or TableReader({}, (key,), top.document)


def _instruments(table: TableReader) -> Instruments:
    given: dict[str, Any] = {
        "wind_sensor_height_m": table.number("wind_sensor_height_m", 0, MAX_HEIGHT_M, "m", above=True, required=True)
        or 0.0
    }
    if (reference := table.number("reference_height_m", 0, MAX_HEIGHT_M, "m", above=True)) is not None:
        given["reference_height_m"] = reference
    if table.table.get("variation_deg") == "auto":
        given["variation_deg"] = table.raw("variation_deg")
    elif isinstance(table.table.get("variation_deg"), str):
        table.raw("variation_deg")
        table.wrong("variation_deg", 'a number of degrees, east positive, or "auto"')
    else:
        given["variation_deg"] = table.number("variation_deg", -180, 180, "deg")
    if (zone := table.text("time_zone")) is not None:
        given["time_zone"] = zone
        if load_zone(zone) is None:
            table.report(
                "time_zone",
                f'time_zone "{zone[:60]}" is unknown: use a name such as "UTC", "Europe/Paris" or "+02:00".',
            )
            given["time_zone"] = "UTC"
    given["start_date"] = _start_date(table)
    table.close()
    return Instruments(**given)


def _start_date(table: TableReader) -> date | dict[str, date] | None:
    value = table.raw("start_date")
    if not isinstance(value, dict):
        return None if value is None else table.as_day("start_date", value)
    inner = table.inside("start_date")
    assert inner is not None
    days = {name: inner.day(name) for name in value}
    return {name: day for name, day in days.items() if day is not None}


def _design(top: TableReader) -> DesignBasis:
    table = top.inside("design")
    if table is None:
        return DesignBasis()
    given: dict[str, Any] = {
        "height_m": table.number("height_m", 0, MAX_HEIGHT_M, "m", above=True),
        "twa_from": table.text("twa_from", choices=("course", "heading")),
    }
    table.close()
    return DesignBasis(**{k: v for k, v in given.items() if v is not None}, given=True)


def _displays(top: TableReader) -> Displays:
    table = top.inside("displays")
    if table is None:
        return Displays()
    given: dict[str, Any] = {
        "wind_height_m": table.number("wind_height_m", 0, MAX_HEIGHT_M, "m", above=True),
        "corrected": table.flag("corrected"),
        "twa_from": table.text("twa_from", choices=("course", "heading")),
    }
    table.close()
    return Displays(**{k: v for k, v in given.items() if v is not None})


def _rules(top: TableReader) -> Rules:
    table = top.inside("rules")
    if table is None:
        return Rules()
    given: dict[str, Any] = {
        "outrigger_only_inside_headsail": table.flag("outrigger_only_inside_headsail"),
        "max_sails_aboard": table.whole("max_sails_aboard", 1, 1000),
        "max_sail_weight_kg": table.number("max_sail_weight_kg", 0, 1e5, "kg", above=True),
    }
    table.close()
    return Rules(**{k: v for k, v in given.items() if v is not None})


def _extra(top: TableReader) -> dict[str, Any]:
    top.raw("extra")
    return {} if top.inside("extra") is None else dict(top.table["extra"])


def outrigger_breaches(boat: Boat) -> list[str]:
    """Names of the sets that sheet to an outrigger although their outermost sail is a spinnaker, where the rule holds.

    A spinnaker, where a set has one, is its outermost sail (common practice, no source).
    """
    if not boat.rules.outrigger_only_inside_headsail:
        return []
    return [
        s.name
        for s in boat.sail_sets
        if s.sheeted_to_outrigger and any(boat.sails[c].kind == "spinnaker" for c in s.sails)
    ]


def _check_rules(top: TableReader, boat: Boat) -> None:
    places = top.document
    breaches = outrigger_breaches(boat)
    for i, entry in enumerate(top.table.get("sail_sets", []) if breaches else []):
        if isinstance(entry, dict) and entry.get("name") in breaches:
            places.report(
                ("sail_sets", i, "sheeted_to_outrigger"),
                f"set '{entry['name']}' breaks [rules] outrigger_only_inside_headsail: its outermost sail is "
                "a spinnaker, yet it sheets to an outrigger.",
                fatal=False,
            )
    required = [s.code for s in boat.sails.values() if s.required]
    limit = boat.rules.max_sails_aboard
    if limit is not None and len(required) > limit:
        what = f"max_sails_aboard is {limit}, but {len(required)} sails are required: {' '.join(required)}."
        places.report(("rules", "max_sails_aboard"), what, fatal=False)
    weight_kg = sum(boat.sails[c].weight_kg or 0.0 for c in required)
    if boat.rules.max_sail_weight_kg is not None and weight_kg > boat.rules.max_sail_weight_kg:
        what = f"the required sails alone weigh {weight_kg:g} kg, more than max_sail_weight_kg."
        places.report(("rules", "max_sail_weight_kg"), what, fatal=False)

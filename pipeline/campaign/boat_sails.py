"""The tables `[sails.*]` and `[[sail_sets]]` of `boat.toml`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

from pipeline.campaign.sail_measurements import ERS_EDITION, ERS_SPINNAKER_HALF_WIDTH, kind_by_ers, sail_area_m2
from pipeline.campaign.sail_names import fold_name
from pipeline.campaign.settings import BARE, MAIN_ALONE, UNKNOWN, UNLOGGED, Sail, SailKind, SailSet, SailVersion
from pipeline.campaign.toml_reading import TableReader, did_you_mean

_REEF_LIKE = re.compile(r"R[1-9]\d*")
_METRES = ("luff_m", "leech_m", "foot_m", "half_width_m", "perpendicular_m")
MAINSAIL_STATION = "mast"  # where a mainsail is set when the file does not say


def read_sails(top: TableReader, *, strict: bool = False) -> dict[str, Sail]:
    """The sails by code, in the order of the file."""
    table = top.inside("sails")
    if table is None:
        top.report("sails", "[sails.CODE] tables are missing: without them no sail of the log is known.", fatal=False)
        return {}
    sails: dict[str, Sail] = {}
    for code in table.table:
        inner = table.inside(code)
        if inner is not None and (sail := _sail(code, inner, strict)) is not None:
            sails[code] = sail
    if sails and not any(s.kind == "mainsail" for s in sails.values()):
        table.report(None, 'no sail is of kind "mainsail": no set then holds a mainsail.', fatal=False)
    _check_names(table, sails)
    return sails


def _sail(code: str, table: TableReader, strict: bool) -> Sail | None:
    if not code or code != code.strip() or re.search(r"[\s+]", code):
        table.report(None, f"sail code '{code[:40]}' must be without spaces and '+', which part the codes of a set.")
    elif code in (UNLOGGED, UNKNOWN, MAIN_ALONE, BARE):
        table.report(None, f"sail code '{code}' is a name that the time line needs: choose another.")
    elif _REEF_LIKE.fullmatch(code):
        table.report(
            None,
            f"sail code '{code}' reads like a reef in made-up names of sets: give each of its sets a name.",
            fatal=False,
        )
    kind: Any = table.text("kind", choices=get_args(SailKind), required=True)
    sail = Sail(
        code=code,
        kind=kind or "headsail",
        station=_station(code, kind, table),
        area_m2=table.number("area_m2", 0, 10_000, "m2", above=True),
        weight_kg=table.number("weight_kg", 0, 5_000, "kg", above=True),
        max_aws_kn=table.number("max_aws_kn", 0, 150, "kn", above=True),
        **{key: table.number(key, 0, 150, "m", above=True) for key in _METRES},
        required=table.flag("required") or False,
        rating_delta=table.number("rating_delta", -1, 1) or 0.0,
        aliases=table.texts("aliases"),
        versions=_versions(code, table),
    )
    table.close()
    if kind is not None:
        _check_measurements(sail, table, strict)
    return sail


def _station(code: str, kind: str | None, table: TableReader) -> str:
    station = table.text("station")
    if station is not None:
        return station
    if kind == "mainsail":
        return MAINSAIL_STATION
    if "station" not in table.table:
        table.report(
            None,
            f"{table.title} lacks 'station', where it tacks; it is taken to share its station with no sail.",
            fatal=False,
        )
    return code


def _versions(code: str, table: TableReader) -> tuple[SailVersion, ...]:
    versions = []
    for entry in table.array("versions"):
        start = entry.day("from", required=True)
        note = entry.raw("note")
        if note is not None and not isinstance(note, str):
            entry.wrong("note", "text in quotes")
        entry.close()
        if start is not None:
            versions.append(SailVersion(start, note if isinstance(note, str) else ""))
    starts = [v.start for v in versions]
    if len(set(starts)) < len(starts):
        table.report("versions", f"two versions of sail {code} begin on one day.")
    return tuple(sorted(versions, key=lambda v: v.start))


def _check_measurements(sail: Sail, table: TableReader, strict: bool) -> None:
    if sail.kind != "mainsail" and sail.half_width_m is not None and sail.foot_m is not None:
        ruled = kind_by_ers(sail.half_width_m, sail.foot_m)
        if ruled.kind != sail.kind:
            table.report(
                "kind",
                f"sail {sail.code} is declared a {sail.kind}, but its half width {sail.half_width_m:g} m is "
                f"{100 * ruled.half_width_share:.1f} % of its foot {sail.foot_m:g} m, which makes it a {ruled.kind} "
                f"({100 * ERS_SPINNAKER_HALF_WIDTH:.0f} % and more is a spinnaker, {ERS_EDITION}): correct the kind or "
                "the dimensions.",
                fatal=strict,
            )
    if sail_area_m2(sail) is None:
        table.report(
            None,
            f"sail {sail.code} has no area_m2, and its dimensions do not give one (luff_m, foot_m, half_width_m).",
            fatal=False,
        )


def _check_names(table: TableReader, sails: Mapping[str, Sail]) -> None:
    owner: dict[str, str] = {}
    for code in sails:
        other = owner.setdefault(fold_name(code), code)
        if other != code:
            table.report(code, f"sail codes '{other}' and '{code}' differ only in case: a sail log could mean either.")
    for code, sail in sails.items():
        for i, alias in enumerate(sail.aliases):
            other = owner.setdefault(fold_name(alias), code)
            if other != code:
                as_what = "the code" if fold_name(alias) == fold_name(other) else "a name"
                table.document.report(
                    (*table.path, code, "aliases", i),
                    f"alias '{alias}' of sail {code} is {as_what} of sail {other} as well.",
                )


def read_sail_sets(top: TableReader, sails: Mapping[str, Sail]) -> tuple[SailSet, ...]:
    """The named sets, their sails in the order of `[sails]`, the mainsail included."""
    sets: list[SailSet] = []
    for table in top.array("sail_sets"):
        name = table.text("name", required=True)
        codes = _members(table, name or "?", sails)
        outrigger = table.texts("sheeted_to_outrigger")
        for code in outrigger:
            if code not in codes:
                table.report(
                    "sheeted_to_outrigger", f"set '{name}' sheets '{code}' to an outrigger but does not hold it."
                )
        table.close()
        if name is None or not codes:
            continue
        members = _with_mainsail(table, name, codes, sails)
        if all(c in sails for c in table.table["sails"]):
            _check_set_name(table, name, members, sails)
        for other in sets:
            if other.name.casefold() == name.casefold():
                table.report("name", f"two sets are named '{name}'.")
            elif set(other.sails) == set(members):
                table.report("sails", f"sets '{other.name}' and '{name}' are of the same sails: {' '.join(members)}.")
        sets.append(SailSet(name, members, tuple(c for c in members if c in outrigger)))
    return tuple(sets)


def _members(table: TableReader, name: str, sails: Mapping[str, Sail]) -> list[str]:
    codes: list[str] = []
    for i, code in enumerate(table.texts("sails", required=True)):
        path = (*table.path, "sails", i)
        if code not in sails:
            by_alias = next(
                (s.code for s in sails.values() if fold_name(code) in map(fold_name, (s.code, *s.aliases))), None
            )
            hint = f" Write its code '{by_alias}'." if by_alias else did_you_mean(code, sails)
            table.document.report(path, f"set '{name}' names the sail '{code}', which is not under [sails].{hint}")
        elif code in codes:
            table.document.report(path, f"set '{name}' names the sail '{code}' twice.", fatal=False)
        else:
            codes.append(code)
    if not codes and table.table.get("sails") == []:
        table.report("sails", f"set '{name}' has no sails.")
    return codes


def _with_mainsail(table: TableReader, name: str, codes: list[str], sails: Mapping[str, Sail]) -> tuple[str, ...]:
    main = next((s for s in sails.values() if s.kind == "mainsail"), None)
    by_station: dict[str, str] = {}
    for code in codes:
        other = by_station.setdefault(sails[code].station, code)
        if other != code:
            table.report(
                "sails", f"set '{name}' has two sails on the station '{sails[code].station}': {other} and {code}."
            )
    if main is not None and main.code not in codes and main.station not in by_station:
        codes = [main.code, *codes]
        table.report(
            "sails",
            f"set '{name}' leaves out the mainsail {main.code}, which is up whenever any sail is; it is taken "
            "as part of the set.",
            fatal=False,
        )
    return tuple(code for code in sails if code in codes)


def _check_set_name(table: TableReader, name: str, members: tuple[str, ...], sails: Mapping[str, Sail]) -> None:
    main = next((s.code for s in sails.values() if s.kind == "mainsail"), None)
    forward = [c for c in members if c != main]
    fold = name.casefold()
    if fold in (UNLOGGED, UNKNOWN, BARE.casefold()) or (fold == MAIN_ALONE.casefold() and forward):
        table.report("name", f"a set cannot be named '{name}', which is the time line's own word for something else.")
    reef = re.search(r"\+(R[1-9]\d*)$", name)
    if reef and reef[1] not in members:
        table.report("name", f"a set cannot be named '{name}': the ending +{reef[1]} stands for a reefed mainsail.")
    elif all(part in sails for part in name.split("+")) and set(name.split("+")) - {main} != set(forward):
        table.report(
            "name", f"set '{name}' is named like the sails {name.replace('+', ' ')}, but holds {' '.join(members)}."
        )

"""Names of sail sets: from the sails that draw to a name, and back.

A set named in `boat.toml` keeps its name; any other is named by its sails' codes joined with `+` in the order of
`boat.toml`, the mainsail left out; the main alone is `MAIN`, nothing is `BARE`; reefs follow as `+R1`, `+R2`. Sails
flown with the mainsail down or furled bear the same name as with it; the time line marks them as doubtful, so that they
are never fitted together. The main counts as replaced, not missing, where another sail (a trysail) stands on its
station.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable

from pipeline.campaign.settings import BARE, MAIN_ALONE, UNKNOWN, UNLOGGED, Boat

_REEF = re.compile(r"\+R([1-9]\d*)$")


def in_boat_order(codes: Iterable[str], boat: Boat) -> tuple[str, ...]:
    """`codes` without repetition, in the order of `boat.toml`."""
    wanted = set(codes)
    return tuple(code for code in boat.sails if code in wanted)


def main_replaced(codes: Collection[str], boat: Boat) -> bool:
    """Whether a sail other than the mainsail stands on the mainsail's station."""
    main = boat.mainsail
    return main is not None and any(
        c != main and boat.sails[c].station == boat.sails[main].station for c in codes if c in boat.sails
    )


def named_set(drawing: Collection[str], boat: Boat) -> str | None:
    """Name that `boat.toml` gives to exactly these sails (mainsail included), None where it gives none."""
    return next((s.name for s in boat.sail_sets if set(s.sails) == set(drawing)), None)


def made_up_name(drawing: Collection[str], boat: Boat) -> str:
    """Name of a combination that `boat.toml` does not name, without reefs."""
    main = boat.mainsail
    others = [c for c in in_boat_order(drawing, boat) if c != main]
    if not others:
        return MAIN_ALONE if main in drawing else BARE
    return "+".join(others)


def lacks_mainsail(drawing: Collection[str], boat: Boat) -> bool:
    """Whether sails are set without the mainsail that the boat has, and without another sail in its place."""
    main = boat.mainsail
    return bool(drawing) and main is not None and main not in drawing and not main_replaced(drawing, boat)


def set_name(drawing: Collection[str], reefs: int, boat: Boat) -> str:
    """Name of the set of the sails `drawing` (codes, mainsail included where it draws) with `reefs` in the mainsail.

    Reefs are left out of the name where the mainsail does not draw.
    """
    name = named_set(drawing, boat) or made_up_name(drawing, boat)
    return f"{name}+R{reefs}" if reefs > 0 and boat.mainsail in drawing else name


def sails_of(sail_set: str, boat: Boat) -> tuple[str, ...] | None:
    """Codes of the sails in a set's name, in the order of `boat.toml`, the mainsail included; reefs are ignored.

    A name does not tell whether the mainsail was down; it is taken as up. None for `unlogged`, `unknown` and any name
    that is no set of this boat. `BARE` has no sails.
    """
    for name in (sail_set, _REEF.sub("", sail_set)):
        found = _sails_without_reef(name, boat)
        if found is not None:
            return found
    return None


def reefs_of(sail_set: str, boat: Boat) -> int:
    """Number of reefs in a set's name."""
    found = _REEF.search(sail_set)
    return int(found[1]) if found and _sails_without_reef(sail_set, boat) is None else 0


def _sails_without_reef(name: str, boat: Boat) -> tuple[str, ...] | None:
    main = boat.mainsail
    for given in boat.sail_sets:
        if given.name == name:
            return given.sails
    if name in (UNLOGGED, UNKNOWN):
        return None
    if name == BARE:
        return ()
    if name == MAIN_ALONE:
        return None if main is None else (main,)
    codes = name.split("+")
    if any(c not in boat.sails for c in codes):
        return None
    return in_boat_order([*codes, main] if main and not main_replaced(codes, boat) else codes, boat)

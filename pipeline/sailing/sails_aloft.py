"""What is aloft by the sail log: one state, and the step that the entries of one moment make of it.

Semantics of the actions are those of the input format: `flying` replaces all, reefs included; `hoist` and `unfurl` mean
drawing; `furl` means aloft, not drawing; the mainsail is up whenever any sail is, unless dropped or furled; one
drawing sail to a station, so a later hoist takes the place of a sail whose drop was forgotten. Contradictions have a
defined outcome and leave a remark; nothing is put right in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

from pipeline.campaign.sail_sets import in_boat_order, made_up_name, main_replaced, named_set, set_name
from pipeline.campaign.settings import UNKNOWN, UNLOGGED, Boat

Span = Literal["before", "after", "change", "until settled"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the sail log; `codes` is None where it names a sail that the boat does not have."""

    action: str
    codes: tuple[str, ...] | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Remark:
    """A doubt and the time it touches.

    `span`: from the entry before until now, from now to the next entry, a change now, or from now until the log says of
    one of `sails` what became of it.
    """

    span: Span
    reason: str
    sails: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Aloft:
    """The sails at one moment. Not `logged`: nothing is known. `strange`: a sail that the boat does not have.

    `drawing` and `furled` hold codes, the mainsail's among them; `main_lowered` is set by dropping or furling the
    mainsail. `taken_down` are sails assumed to be down whose drop was never logged. `doubt` holds until the next
    `flying`.
    """

    logged: bool = True
    strange: bool = False
    drawing: frozenset[str] = frozenset()
    furled: frozenset[str] = frozenset()
    reefs: int = 0
    main_lowered: bool = False
    taken_down: frozenset[str] = frozenset()
    doubt: str = ""

    def name(self, boat: Boat) -> str:
        """Name of the sail set, or of the state of the time line."""
        if not self.logged:
            return UNLOGGED
        return UNKNOWN if self.strange else set_name(self.drawing, self.reefs, boat)


NOTHING_KNOWN = Aloft(logged=False)


def is_a_set(drawing: Iterable[str], boat: Boat) -> bool:
    """Whether a combination needs no explanation: named in `boat.toml`, or at most one sail beside the mainsail."""
    sails = set(drawing)
    return len(sails - {boat.mainsail}) <= 1 or named_set(sails, boat) is not None


def step(
    before: Aloft,
    entries: Sequence[Entry],
    boat: Boat,
    forgotten: Callable[[str, frozenset[str]], bool],
    repeated: Callable[[str], bool],
) -> tuple[Aloft, list[Remark]]:
    """The state after the entries of one moment, which act together whatever their order, and what is to be remarked.

    `forgotten(code, hoisted)` says whether the rest of the log shows a sail's drop to be missing, `repeated(code)`
    whether it said the same a few minutes ago.
    """
    remarks: list[Remark] = []
    stated = sorted({e.codes for e in entries if e.action == "flying" and e.codes is not None})
    if any(e.codes is None and not (stated and e.action in ("drop", "furl")) for e in entries):
        return Aloft(strange=True), [Remark("after", "a sail that boat.toml does not know")]
    if stated:
        state = _stated(stated, boat, remarks)
    elif before.strange:
        return before, []
    elif before.logged:
        state = before
    else:
        state = _from_nothing(entries, boat)
    moved = _Moves.of(entries)
    if both := moved.lowered & moved.raised:
        remarks.append(Remark("after", f"raised and lowered at one moment: {' '.join(sorted(both))}"))
    state = _lower(state, moved, bool(stated), boat, remarks, repeated)
    state = _raise(state, moved, bool(stated), boat, remarks, repeated)
    state = _reef(state, moved, remarks)
    if not stated:
        state = _without_forgotten(state, moved.raised, boat, forgotten, remarks)
    return state, remarks


@dataclass(frozen=True, slots=True)
class _Moves:
    hoisted: frozenset[str]
    unfurled: frozenset[str]
    dropped: frozenset[str]
    furled: frozenset[str]
    reefs_in: int
    reefs_out: int

    @classmethod
    def of(cls, entries: Iterable[Entry]) -> _Moves:
        codes: dict[str, set[str]] = {"hoist": set(), "unfurl": set(), "drop": set(), "furl": set()}
        counts = {"reef": 0, "shake": 0}
        for entry in entries:
            if entry.action in counts:
                counts[entry.action] += 1
            elif entry.action in codes:
                codes[entry.action].update(entry.codes or ())
        hoisted, unfurled, dropped, furled = (frozenset(found) for found in codes.values())
        return cls(hoisted, unfurled, dropped, furled, counts["reef"], counts["shake"])

    @property
    def raised(self) -> frozenset[str]:
        return self.hoisted | self.unfurled

    @property
    def lowered(self) -> frozenset[str]:
        return self.dropped | self.furled


def _stated(stated: Sequence[tuple[str, ...]], boat: Boat, remarks: list[Remark]) -> Aloft:
    if len({frozenset(codes) for codes in stated}) > 1:
        listed = " / ".join(" ".join(in_boat_order(codes, boat)) or "nothing" for codes in stated)
        remarks.append(Remark("after", f"two different sets stated at one moment ({listed}); the fuller one is taken"))
    codes = max(stated, key=lambda c: (len(set(c)), c))
    by_station: dict[str, str] = {}
    for code in codes:
        if by_station.setdefault(boat.sails[code].station, code) != code:
            remarks.append(
                Remark("after", f"two sails stated on the station {boat.sails[code].station}; the last is taken")
            )
        by_station[boat.sails[code].station] = code
    return _with_main(Aloft(drawing=frozenset(by_station.values())), boat)


def _from_nothing(entries: Sequence[Entry], boat: Boat) -> Aloft:
    """After unlogged time: nothing aloft, but a sail lowered or reefed now had the mainsail up with it."""
    main = boat.mainsail
    touched = {c for e in entries if e.action != "hoist" for c in e.codes or ()}
    if not touched or main is None:
        return Aloft()
    return Aloft(drawing=frozenset({main}))


def _with_main(state: Aloft, boat: Boat) -> Aloft:
    main = boat.mainsail
    if main is None or main in state.drawing or state.main_lowered or not state.drawing:
        return state
    if main_replaced(state.drawing, boat):
        return state
    return replace(state, drawing=state.drawing | {main})


def _lower(
    state: Aloft, moved: _Moves, stated: bool, boat: Boat, remarks: list[Remark], repeated: Callable[[str], bool]
) -> Aloft:
    dropped, furled = moved.dropped - moved.raised, moved.furled - moved.raised - moved.dropped
    for code in sorted(dropped | furled):
        aloft = state.drawing if code in furled else state.drawing | state.furled
        expected = code in aloft or stated or repeated(code) or (code in dropped and code in state.taken_down)
        if not expected:
            word = "furled" if code in furled else "dropped"
            remarks.append(Remark("before", f"{code} is {word} but was not up by the log: an entry is missing before"))
        elif stated and code in state.drawing and code != boat.mainsail:
            remarks.append(Remark("after", f"{code} is lowered at the moment of a 'flying' that states it"))
    lowered = dropped | furled
    if not lowered:
        return state
    return replace(
        state,
        drawing=state.drawing - lowered,
        furled=(state.furled - dropped) | furled,
        taken_down=state.taken_down - lowered,
        main_lowered=state.main_lowered or boat.mainsail in lowered,
    )


def _raise(
    state: Aloft, moved: _Moves, stated: bool, boat: Boat, remarks: list[Remark], repeated: Callable[[str], bool]
) -> Aloft:
    raised = moved.raised
    if not raised:
        return state
    for code in sorted(raised):
        if stated or repeated(code):
            if stated and code not in state.drawing:
                remarks.append(Remark("after", f"{code} is hoisted at the moment of a 'flying' that does not state it"))
        elif code in state.drawing:
            remarks.append(
                Remark("before", f"{code} is hoisted but was up already by the log: an entry is missing before")
            )
        elif code in moved.unfurled and code not in state.furled:
            remarks.append(
                Remark("before", f"{code} is unfurled but was not furled by the log: an entry is missing before")
            )
    drawing = set(state.drawing | raised)
    taken: set[str] = set()
    for code in in_boat_order(raised, boat):
        rivals = {o for o in drawing - {code} if boat.sails[o].station == boat.sails[code].station}
        for other in sorted(rivals):
            if other in raised:
                remarks.append(Remark("after", f"{other} and {code} are hoisted on one station at one moment"))
            elif other != boat.mainsail:
                remarks.append(Remark("change", f"{other} has no drop when {code} takes its station", (other,)))
        drawing -= rivals
        taken |= rivals
    state = replace(
        state,
        drawing=frozenset(drawing),
        furled=state.furled - raised,
        taken_down=(state.taken_down | taken) - raised,
        main_lowered=state.main_lowered and boat.mainsail not in raised,
    )
    return _with_main(state, boat)


def _reef(state: Aloft, moved: _Moves, remarks: list[Remark]) -> Aloft:
    if moved.reefs_in and moved.reefs_out:
        remarks.append(Remark("after", "a reef taken in and shaken out at one moment"))
    reefs = state.reefs + moved.reefs_in - moved.reefs_out
    if reefs < 0:
        remarks.append(Remark("before", "a reef is shaken out that was not in by the log: an entry is missing before"))
    return state if reefs == state.reefs else replace(state, reefs=max(reefs, 0))


def _without_forgotten(
    state: Aloft,
    raised: frozenset[str],
    boat: Boat,
    forgotten: Callable[[str, frozenset[str]], bool],
    remarks: list[Remark],
) -> Aloft:
    """Take down sails whose drop was forgotten at this hoist, where the rest of the log shows it.

    Only where the sails now up are no set of the boat but would be one without the older sails, and the drop of each of
    these is `forgotten`.
    """
    fresh = (raised & state.drawing) - {boat.mainsail}
    older = state.drawing - fresh - {boat.mainsail}
    if not fresh or not older or is_a_set(state.drawing, boat):
        return state
    for size in (1, 2):
        for gone in combinations(in_boat_order(older, boat), size):
            if all(forgotten(code, fresh) for code in gone) and is_a_set(state.drawing - set(gone), boat):
                reason = (
                    f"{made_up_name(state.drawing, boat)} is no set of boat.toml, {' '.join(gone)} was down by the "
                    "rest of the log: its drop is taken as forgotten here"
                )
                remarks.append(Remark("until settled", reason, gone))
                down = frozenset(gone)
                return replace(state, drawing=state.drawing - down, taken_down=state.taken_down | down)
    return state

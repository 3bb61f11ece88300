"""Whether a stage is to be redone, and in words why."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping

from pipeline.ingest.store import Store
from pipeline.reporting.numbers import plural
from pipeline.sailing.pieces import Piece
from pipeline.stages.piece_records import NEW, changed
from pipeline.stages.windows import Redone

NAMED_PIECES = 6


def what_changed(store: Store, stage: str, made_from: Mapping[str, str]) -> tuple[str, ...]:
    """Names of what changed since the stage was last done; (`NEW`,) where it never was, empty where nothing did."""
    kept = store.fingerprint(stage)
    if kept is None:
        return (NEW,)
    try:
        old = json.loads(kept)
    except ValueError:
        old = {}
    return changed(old, made_from)


def note_made_from(store: Store, stage: str, made_from: Mapping[str, str]) -> None:
    """Note what the stage was done from."""
    store.set_fingerprint(stage, json.dumps(made_from))


def explained(stage: str, new: tuple[str, ...]) -> str:
    """One line on a stage that is done because of what is new, or left as a whole."""
    if not new:
        return f"{stage:8} kept: nothing that it depends on changed"
    return f"{stage:8} done: {_because(new)}"


def explained_logs(read: int, known: int, gone: int) -> str:
    """One line on the logs."""
    if not read and not gone:
        return f"{'ingest':8} kept: all {plural(known, 'log')} are in the store as they are"
    parts = [f"{plural(read, 'log')} read, {known} in the store already"]
    parts += [f"{plural(gone, 'log')} taken out, no longer in the campaign"] if gone else []
    return f"{'ingest':8} done: {'; '.join(parts)}"


def explained_absence() -> str:
    """One line where the log files are gone and the store has their samples."""
    return f"{'ingest':8} kept: there are no log files, the samples in the store stand"


def explained_windows(redone: Redone) -> list[str]:
    """Lines on the pieces of the season."""
    if not redone.pieces and not redone.gone:
        how = "the season's own columns written anew" if redone.changed else "kept"
        return [f"{'windows':8} {how}: nothing that any of {plural(redone.count, 'piece')} depends on changed"]
    lines = [f"{'windows':8} done for {len(redone.pieces)} of {plural(redone.count, 'piece')} of the season"]
    if redone.gone:
        lines.append(f"{'':8} {plural(redone.gone, 'piece')} gone, with the logs")
    by_reason: dict[tuple[str, ...], list[Piece]] = defaultdict(list)
    for piece, reasons in redone.pieces:
        by_reason[reasons].append(piece)
    for reasons, pieces in by_reason.items():
        if len(pieces) <= NAMED_PIECES:
            lines += [f"{'':8} {piece.lo:%Y-%m-%d %H:%M}: {_because(reasons)}" for piece in pieces]
        else:
            span = f"{pieces[0].lo:%Y-%m-%d} to {pieces[-1].lo:%Y-%m-%d}"
            lines.append(f"{'':8} {len(pieces)} pieces, {span}: {_because(reasons)}")
    return lines


def _because(new: tuple[str, ...]) -> str:
    return NEW if new == (NEW,) else f"{', '.join(new)} changed"

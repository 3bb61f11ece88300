"""The likeliest names of a season: from the best labelling found so far to a better one, until none is better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.decisions.name_clusters import Clusters
from pipeline.decisions.name_search import LIKE, NameSearch, Piece, Unit, units_of
from pipeline.decisions.season_under_labels import SurfacePrior

MOST_ROUNDS = 12


def likeliest_names(surfaces: SurfacePrior, candidates: list[int]) -> tuple[NameSearch, list[Piece]]:
    """The search at its end, and every piece whose believed name is not the logged one."""
    chunks = surfaces.chunks
    units = units_of(chunks)
    by_number = {int(chunks.unit[u.at[0]]): u for u in units}
    labels = chunks.logged.copy()
    found: list[Piece] = []
    known: dict[int, list[tuple[float, list[Piece]]]] = {}
    for _ in range(MOST_ROUNDS):
        search = NameSearch(surfaces, candidates, labels)
        kept = [p for p in (against_logged(search, p, by_number) for p in found) if p.gain > 0]
        dropped = len(kept) < len(found)
        new: list[Piece] = []
        if not dropped:
            clusters = Clusters(search, by_number)
            for number in by_number.keys() - known.keys():
                unit = by_number[number]
                known[number] = list(search.groups(list(search.singles([unit])), by_number)) + list(clusters.of(unit))
            groups = [g for number in sorted(known) for g in known[number] if _as_logged(search, g[1])]
            new = _best_apart(search, groups)
            if not new:
                return search, kept
        found = kept + new
        labels = chunks.logged.copy()
        for p in found:
            labels[p.at] = p.label
        # What was tried stands until a name changes on its day or in conditions like its own.
        changed = np.flatnonzero(labels != search.labels)
        touched = np.isin(chunks.day, chunks.day[changed]) | (search.names.near[:, changed] > LIKE).any(axis=1)
        known = {number: g for number, g in known.items() if not touched[by_number[number].at].any()}
    return NameSearch(surfaces, candidates, labels), found


def against_logged(search: NameSearch, p: Piece, units: dict[int, Unit]) -> Piece:
    """A believed piece judged anew against its logged name, all others as believed."""
    ratio = search.evidence(p.at, np.full(len(p.at), p.label)) - search.evidence(p.at, np.full(len(p.at), p.logged))
    neighbours = units[int(search.chunks.unit[p.at[0]])].neighbours
    name = search.names.log_odds(p.at, p.at, np.full(len(p.at), p.label), p.logged, p.label, neighbours)
    return replace(p, ratio=ratio, prior=name + p.place)


def _as_logged(search: NameSearch, group: list[Piece]) -> bool:
    """Whether all of a group still bears its logged names: what was tried in an earlier round may be settled now."""
    return all((search.labels[p.at] == p.logged).all() for p in group)


def _best_apart(search: NameSearch, groups: list[tuple[float, list[Piece]]]) -> list[Piece]:
    """The groups that gain most, those left out that lie in conditions like a better one's or in its stretches."""
    taken = np.zeros(search.chunks.count, dtype=bool)
    out: list[Piece] = []
    for _, group in sorted(groups, key=lambda g: -g[0]):
        at = np.concatenate([p.at for p in group])
        if (
            search.names.near[np.ix_(at, taken)].max(initial=0.0) < LIKE
            and not np.isin(search.chunks.unit[at], search.chunks.unit[taken]).any()
        ):
            out += group
            taken[at] = True
    return out

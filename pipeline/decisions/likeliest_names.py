"""The likeliest names of a season: from the best labelling found so far to a better one, until none is better."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from pipeline.campaign.settings import UNLOGGED, Boat
from pipeline.decisions.audit_chunks import chunks_of
from pipeline.decisions.name_clusters import Clusters
from pipeline.decisions.name_prior import Suspicion
from pipeline.decisions.name_search import LIKE, NameSearch, Piece, Unit, odd_instead, units_of
from pipeline.decisions.season_under_labels import SurfacePrior
from pipeline.surfaces.season_parts import parts_of
from pipeline.surfaces.without_day import Basis

MOST_ROUNDS = 12
# A longer season is searched in parts: memory grows with the square of a part, work with its cube.
MOST_WINDOWS = 6000


@dataclass(frozen=True, slots=True)
class Finding:
    """A piece whose speeds speak for another name, in its part of the season: `begin` is the part's first window,
    `chance` that of the other name among all explanations, "something else was odd" among them.
    """

    begin: int
    part: Basis
    search: NameSearch
    piece: Piece
    chance: float


def findings(
    basis: Basis, boat: Boat, suspicion: Suspicion, least_open_chance: float | None = None
) -> Iterator[Finding]:
    """The pieces of a season that another name fits better, part by part; with `least_open_chance` also those for which
    the logged name is likelier, down to this chance of the other.
    """
    candidates = [k for k, name in enumerate(basis.seen.sets) if name != UNLOGGED]
    for begin, part in parts_of(basis, MOST_WINDOWS) if len(candidates) > 1 else ():
        search, found = likeliest_names(SurfacePrior(chunks_of(part, boat), part), candidates, suspicion)
        chances = [(p, _chance(search, p)) for p in found]
        if least_open_chance is not None:
            chances += [(p, chance) for p, chance in _open(search) if chance >= least_open_chance]
        for p, chance in chances:
            if p.ratio >= np.log(suspicion.least_ratio):
                yield Finding(begin, part, search, p, chance)


def _open(search: NameSearch) -> Iterator[tuple[Piece, float]]:
    """Of every stretch the part that is likeliest under another name, of those that bear their logged name."""
    for unit in units_of(search.chunks):
        chances = [(_chance(search, p), p) for p in search.singles([unit])]
        if chances:
            chance, piece = max(chances, key=lambda c: c[0])
            yield piece, chance


def _chance(search: NameSearch, p: Piece) -> float:
    return float(special.expit(p.gain - special.logsumexp([0.0, odd_instead(search, p)])))


def likeliest_names(
    surfaces: SurfacePrior, candidates: list[int], suspicion: Suspicion
) -> tuple[NameSearch, list[Piece]]:
    """The search at its end, and every piece whose believed name is not the logged one."""
    chunks = surfaces.chunks
    units = units_of(chunks)
    by_number = {int(chunks.unit[u.at[0]]): u for u in units}
    labels = chunks.logged.copy()
    found: list[Piece] = []
    known: dict[int, list[tuple[float, list[Piece]]]] = {}
    # A name once taken back is not given again, or the search might go in circles.
    dropped: set[tuple[bytes, int]] = set()
    for _ in range(MOST_ROUNDS):
        search = NameSearch(surfaces, candidates, labels, suspicion)
        kept = [p for p in (against_logged(search, p, by_number) for p in found) if p.gain > 0]
        new: list[Piece] = []
        if len(kept) < len(found):
            dropped |= set(map(_key, found)) - set(map(_key, kept))
        else:
            clusters = Clusters(search, by_number)
            for number in by_number.keys() - known.keys():
                unit = by_number[number]
                known[number] = list(search.groups(list(search.singles([unit])), by_number)) + list(clusters.of(unit))
            tried = [g for number in sorted(known) for g in known[number] if _as_logged(search, g[1])]
            new = _best_apart(search, [g for g in tried if dropped.isdisjoint(map(_key, g[1]))])
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
    return NameSearch(surfaces, candidates, labels, suspicion), found


def against_logged(search: NameSearch, p: Piece, units: dict[int, Unit]) -> Piece:
    """A believed piece judged anew against its logged name, all others as believed."""
    ratio = search.evidence(p.at, np.full(len(p.at), p.label)) - search.evidence(p.at, np.full(len(p.at), p.logged))
    neighbours = units[int(search.chunks.unit[p.at[0]])].neighbours
    name = search.names.log_odds(p.at, p.at, np.full(len(p.at), p.label), p.logged, p.label, neighbours)
    return replace(p, ratio=ratio, prior=name + p.place)


def _as_logged(search: NameSearch, group: list[Piece]) -> bool:
    """Whether all of a group still bears its logged names: what was tried in an earlier round may be settled now."""
    return all((search.labels[p.at] == p.logged).all() for p in group)


def _key(p: Piece) -> tuple[bytes, int]:
    """Which chunks bear which name."""
    return p.at.tobytes(), p.label


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

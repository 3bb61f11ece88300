"""Which group and source each kind of reading belongs to, and the readings of a piece by them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

import numpy as np

from pipeline.channels import GROUPS, group_of
from pipeline.ingest.nmea_file import SentenceKind
from pipeline.ingest.piece import Part, Rows
from pipeline.ingest.readings import Floats


def labels_of(kinds: Iterable[SentenceKind]) -> dict[SentenceKind, tuple[str, str]]:
    """Group and source of each kind of reading. Two transducers of one talker for one channel are two sources."""
    kinds = [key for key in kinds if key[0]]
    names: dict[str, set[str]] = defaultdict(set)
    for channel, _, plain in kinds:
        names[group_of(channel)].add(plain)
    labels = {}
    for channel, source, plain in kinds:
        group = group_of(channel)
        alone = len(names[group] - {""}) < 2 or len(GROUPS.get(group, ())) > 1
        labels[channel, source, plain] = group, source if alone or not plain else f"{source}:{plain}"
    return labels


def rows_by_label(part: Part, labels: Mapping[SentenceKind, tuple[str, str]]) -> dict[tuple[str, str], Rows]:
    """Readings by group and source; what several transducers of one sentence say of one group is put together."""
    gathered: dict[tuple[str, str], list[SentenceKind]] = defaultdict(list)
    for key in sorted(part.readings, key=lambda k: k[1:]):
        gathered[labels[key]].append(key)
    out = {}
    for (group, source), keys in gathered.items():
        found = [part.readings[key] for key in keys]
        several = len(GROUPS.get(group, ())) > 1 and any(plain for _, _, plain in keys)
        out[group, source] = _together(found) if several else _behind_each_other(found)
    return out


def _behind_each_other(found: list[Rows]) -> Rows:
    if len(found) == 1:
        return found[0]
    place = np.concatenate([r.place for r in found])
    order = np.argsort(place, kind="stable")
    names = dict.fromkeys(n for r in found for n in r.values)
    return Rows(place[order], {n: np.concatenate([r.values[n] for r in found])[order] for n in names})


def _together(found: list[Rows]) -> Rows:
    """One row a sentence, of each channel the first value that there is."""
    place, row = np.unique(np.concatenate([r.place for r in found]), return_inverse=True)
    values: dict[str, Floats] = {}
    sizes = np.cumsum([len(r.place) for r in found])[:-1]
    for rows, at in reversed(list(zip(found, np.split(row, sizes), strict=True))):
        for name, v in rows.values.items():
            known = np.flatnonzero(~np.isnan(v))[::-1]
            values.setdefault(name, np.full(len(place), np.nan))[at[known]] = v[known]
    return Rows(place, values)

"""Which calibration holds for each sample: the set's, else the period's, else the boat's, else the default."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Calibration, Corrections

PARAMETERS: tuple[str, ...] = tuple(f.name for f in fields(Corrections))
_REEF = re.compile(r"\+R\d+$")


def corrections_in_force(calibration: Calibration, time: pl.Series, sail_set: pl.Series) -> dict[str, Floats]:
    """One array a parameter of `Corrections`, each as long as `time` (naive UTC).

    `sail_set` is the name of the set at each sample, null where there is none. Corrections of a set hold for its reefed
    states too, unless these have their own.
    """
    set_values, code = _coded(sail_set)
    micros = time.cast(pl.Datetime("us")).to_physical().to_numpy()
    return {p: _one(p, calibration, micros, set_values, code) for p in PARAMETERS}


def _one(
    parameter: str, calibration: Calibration, micros: np.ndarray, set_values: Sequence[str | None], code: np.ndarray
) -> Floats:
    base = getattr(calibration.boat, parameter)
    out = np.full(len(micros), getattr(DEFAULT_CORRECTIONS, parameter) if base is None else base, dtype=float)
    for start, period in calibration.periods:
        value = getattr(period, parameter)
        if value is not None:
            out[micros >= pl.Series([start], dtype=pl.Datetime("us")).to_physical()[0]] = value
    for i, name in enumerate(set_values):
        own = _of_set(calibration, name, parameter)
        if own is not None:
            out[code == i] = own
    return out


def in_force_during(
    calibration: Calibration, lo: datetime, hi: datetime, sail_sets: Iterable[str | None]
) -> tuple[tuple[object, ...], ...]:
    """All that the calibration says of a span of time in which these sets were up: equal where nothing differs."""
    out: list[tuple[object, ...]] = []
    for parameter in PARAMETERS:
        value = getattr(calibration.boat, parameter)
        value = getattr(DEFAULT_CORRECTIONS, parameter) if value is None else value
        given = [(start, getattr(period, parameter)) for start, period in calibration.periods]
        before = [v for start, v in given if v is not None and start <= lo]
        out.append((parameter, (before or [value])[-1]))
        out += [(parameter, start, v) for start, v in given if v is not None and lo < start < hi]
    for name in sorted({n for n in sail_sets if n is not None}):
        own = [(parameter, name, _of_set(calibration, name, parameter)) for parameter in PARAMETERS]
        out += [row for row in own if row[-1] is not None]
    return tuple(out)


def _of_set(calibration: Calibration, name: str | None, parameter: str) -> float | None:
    if name is None:
        return None
    for key in (name, _REEF.sub("", name)):
        value = getattr(calibration.sets.get(key), parameter, None)
        if value is not None:
            return float(value)
    return None


def _coded(sail_set: pl.Series) -> tuple[list[str | None], np.ndarray]:
    """The names, and for each sample the number of its own."""
    runs = sail_set.cast(pl.String).rle().struct.unnest()
    values = runs["value"].to_list()
    names = sorted(set(values), key=lambda name: (name is not None, name or ""))
    index = {name: i for i, name in enumerate(names)}
    return names, np.repeat([index[v] for v in values], runs["len"].to_numpy()).astype(np.int64)

"""Why each sample cannot be part of a steady window: one named reason a sample, the first that applies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import BARE, UNKNOWN
from pipeline.sailing.engine import engine_by_the_data, engine_logged, head_to_wind
from pipeline.sailing.log_against_ground import off_the_ground
from pipeline.sailing.plausibility import implausible, stopped
from pipeline.sailing.sail_changes import sail_change_spans
from pipeline.sailing.stretches import Flags, Ints, runs
from pipeline.sailing.track import SECONDS, Track

KEPT = "in a steady window"
DOUBTFUL_QUALITIES = frozenset({"doubtful", "changing"})
# Holes in a channel no longer than this are bridged by leaving the samples out of the averages.
BRIDGED_S = 5.0
HEEL_EXPECTED_SHARE = 0.5

_US = 1e6


@dataclass(frozen=True, slots=True)
class SampleReasons:
    """`code`: index into `names` for each sample of the track, -1 where nothing speaks against it.

    `hole`: samples within bridged holes, to be left out of averages. `session`, `segment`: row numbers in their
    frames, -1 outside.
    """

    code: Ints
    names: tuple[str, ...]
    hole: Flags
    session: Ints
    segment: Ints


def reasons_of_samples(
    track: Track,
    expected: Floats,
    manoeuvres: pl.DataFrame,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    exclude: pl.DataFrame | None,
    settings_log: pl.DataFrame | None,
) -> SampleReasons:
    """Reasons that do not depend on how a window is cut. Frames must be sorted by start.

    `expected`: `expected_speed_kn` of the track.
    """
    session, segment = row_at(track.time_s, sessions), row_at(track.time_s, segments)
    found: list[tuple[str, Flags]] = []
    found += _excluded(track, exclude)
    found.append(("outside sessions", session < 0))
    found.append(("engine, logged", engine_logged(track, settings_log)))
    found.append(("engine, by the data", engine_by_the_data(track)))
    found += _tags(segments, segment)
    found.append(("sail change", _in_spans(track.time_s, sail_change_spans(track, segments, expected))))
    found += _manoeuvres(track, manoeuvres)
    found.append(("speed log off against the ground", off_the_ground(track)))
    found.append(("stopped", stopped(track)))
    found.append(("head to wind", head_to_wind(track)))
    lasting_holes, hole = _holes(track, session)
    found += lasting_holes

    names = tuple(dict.fromkeys(name for name, _ in found))
    code = np.full(len(track), -1, dtype=np.int64)
    for name, mask in found:
        if mask.any():
            code[(code < 0) & mask] = names.index(name)
    return SampleReasons(code, names, hole & (code < 0), session, segment)


def row_at(time_s: Floats, frame: pl.DataFrame) -> Ints:
    """Row of `frame` (columns `start`, `end`, ascending) that each time falls into, -1 where none."""
    if frame.height == 0:
        return np.full(len(time_s), -1, dtype=np.int64)
    start, end = seconds(frame["start"]), seconds(frame["end"])
    at = np.searchsorted(start, time_s, side="right") - 1
    inside = (at >= 0) & (time_s <= end[np.maximum(at, 0)])
    return np.where(inside, at, -1).astype(np.int64)


def seconds(times: pl.Series) -> Floats:
    """Times as seconds since 1970."""
    return np.asarray(times.cast(pl.Datetime("us")).to_physical().to_numpy() * SECONDS, dtype=float)


def moments(time_s: Floats) -> pl.Series:
    """Seconds since 1970 as times (naive, UTC)."""
    whole = np.round(np.asarray(time_s, dtype=float) * _US).astype(np.int64)
    return pl.Series(whole, dtype=pl.Int64).cast(pl.Datetime("us"))


def _excluded(track: Track, exclude: pl.DataFrame | None) -> list[tuple[str, Flags]]:
    if exclude is None or exclude.height == 0:
        return []
    out = []
    spans = zip(seconds(exclude["start"]), seconds(exclude["finish"]), exclude["reason"].to_list(), strict=True)
    for start_s, finish_s, reason in spans:
        mask = (track.time_s >= start_s) & (track.time_s <= finish_s)
        out.append((f"excluded: {reason}" if reason else "excluded", mask))
    return out


def _tags(segments: pl.DataFrame, segment: Ints) -> list[tuple[str, Flags]]:
    if segments.height == 0:
        return []
    names = segments["sail_set"].to_list()
    quality = segments["quality"].to_list() if "quality" in segments.columns else [None] * segments.height
    inside = segment >= 0
    at = np.maximum(segment, 0)

    def where(flags: list[bool]) -> Flags:
        return np.asarray(flags, dtype=bool)[at] & inside

    return [
        ("no sail set known at the time", ~inside),
        ("sail set unknown", where([n == UNKNOWN for n in names])),
        ("no sails up", where([n == BARE for n in names])),
        ("sail set in doubt", where([q in DOUBTFUL_QUALITIES for q in quality])),
    ]


def _manoeuvres(track: Track, manoeuvres: pl.DataFrame) -> list[tuple[str, Flags]]:
    words = {"bear away": "bearing away", "round up": "rounding up"}
    kinds = np.array(manoeuvres["kind"].to_list(), dtype=object)
    start, turn_end, end = (seconds(manoeuvres[c]) for c in ("start", "turn_end", "end"))
    out = []
    for kind in ("tack", "gybe", "bear away", "round up"):
        of_kind = kinds == kind
        word = words.get(kind, kind)
        for name, a, b in ((word, start, turn_end), (f"build-up after {word}", turn_end, end)):
            out.append((name, _in_spans(track.time_s, list(zip(a[of_kind], b[of_kind], strict=True)))))
    return out


def _holes(track: Track, session: Ints) -> tuple[list[tuple[str, Flags]], Flags]:
    """Missing and implausible samples: lasting ones by reason, and all of them together."""
    no_wind = ~(np.isfinite(track.awa_deg) & np.isfinite(track.aws_kn))
    no_speed = ~np.isfinite(track.bsp_kn)
    rest = ~np.isfinite(track.tws_kn) | ~np.isfinite(track.twa_deg)
    kinds = [
        ("missing: apparent wind", no_wind),
        ("missing: boat speed", no_speed & ~no_wind),
        ("missing: true wind", rest & ~no_wind & ~no_speed),
        ("missing: heel", _heel_lost(track, session) & ~no_wind & ~no_speed),
        ("implausible value", implausible(track)),
    ]
    hole = np.logical_or.reduce([mask for _, mask in kinds])
    long = np.zeros(len(track), dtype=bool)
    for a, b in zip(*runs(hole, track.stretch), strict=True):
        long[a:b] = (b - a) * track.step_s > BRIDGED_S
    return [(name, mask & long) for name, mask in kinds], hole


def _heel_lost(track: Track, session: Ints) -> Flags:
    """Heel missing in a session that mostly has it: the wind is then not de-heeled as the rest of the session is."""
    known = np.isfinite(track.heel_deg)
    inside = session >= 0
    n = int(session.max(initial=-1)) + 1
    if n == 0:
        return np.zeros(len(track), dtype=bool)
    have = np.bincount(session[inside & known], minlength=n)
    every = np.bincount(session[inside], minlength=n)
    mostly = have > HEEL_EXPECTED_SHARE * np.maximum(every, 1)
    return inside & ~known & mostly[np.maximum(session, 0)]


def _in_spans(time_s: Floats, spans: list[tuple[float, float]]) -> Flags:
    out = np.zeros(len(time_s), dtype=bool)
    starts, ends = np.array(spans, dtype=float).reshape(-1, 2).T
    first, end = np.searchsorted(time_s, starts, side="left"), np.searchsorted(time_s, ends, side="right")
    for a, b in zip(first.tolist(), end.tolist(), strict=True):
        out[a:b] = True
    return out

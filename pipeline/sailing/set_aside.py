"""Why each sample cannot be part of a steady window: one named reason a sample, the first that applies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import BARE, UNKNOWN
from pipeline.sailing.engine import engine_by_the_data, engine_logged, head_to_wind
from pipeline.sailing.log_against_ground import off_the_ground
from pipeline.sailing.manoeuvres import Manoeuvre
from pipeline.sailing.plausibility import implausible, stopped
from pipeline.sailing.sail_changes import sail_change_spans
from pipeline.sailing.stretches import Flags, Ints, runs
from pipeline.sailing.times import Spans, in_spans, row_at, seconds
from pipeline.sailing.track import SECONDS, Track

KEPT = "in a steady window"
DOUBTFUL_QUALITIES = frozenset({"doubtful", "changing"})
# Holes in a channel no longer than this are bridged by leaving the samples out of the averages.
BRIDGED_S = 5.0
HEEL_EXPECTED_SHARE = 0.5


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
    manoeuvres: Sequence[Manoeuvre],
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    exclude: pl.DataFrame | None,
    engine: Spans,
) -> SampleReasons:
    """Reasons that do not depend on how a window is cut. Frames must be sorted by start.

    `expected`: `expected_speed_kn` of the track; `engine`: `engine_spans` of the settings log.
    """
    session, segment = row_at(track.time_s, sessions), row_at(track.time_s, segments)
    found: list[tuple[str, Flags]] = []
    found += _excluded(track, exclude)
    found.append(("outside sessions", session < 0))
    found.append(("engine, logged", engine_logged(track, engine)))
    found.append(("engine, by the data", engine_by_the_data(track)))
    found += _tags(segments, segment)
    found.append(("sail change", in_spans(track.time_s, sail_change_spans(track, segments, expected))))
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


def _excluded(track: Track, exclude: pl.DataFrame | None) -> list[tuple[str, Flags]]:
    if exclude is None or exclude.height == 0:
        return []
    spans = zip(seconds(exclude["start"]), seconds(exclude["finish"]), exclude["reason"].to_list(), strict=True)
    return [
        (f"excluded: {reason}" if reason else "excluded", in_spans(track.time_s, [(start_s, finish_s)]))
        for start_s, finish_s, reason in spans
    ]


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


def _manoeuvres(track: Track, manoeuvres: Sequence[Manoeuvre]) -> list[tuple[str, Flags]]:
    words = {"bear away": "bearing away", "round up": "rounding up"}
    out = []
    for kind in ("tack", "gybe", "bear away", "round up"):
        word = words.get(kind, kind)
        of_kind = [[t * SECONDS for t in (m.start, m.turn_end, m.end)] for m in manoeuvres if m.kind == kind]
        out.append((word, in_spans(track.time_s, [(start, turn_end) for start, turn_end, _ in of_kind])))
        build_up = in_spans(track.time_s, [(turn_end, end) for _, turn_end, end in of_kind])
        out.append((f"build-up after {word}", build_up))
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

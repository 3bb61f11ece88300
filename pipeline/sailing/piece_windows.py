"""The windows of one piece of the season, in three steps, so that what the whole season settles can come in between.

`examine` needs the piece alone; `possible_windows` the lag of the season; `chosen` its limits. Steadiness is judged on
wind, heading and rudder, never on speed: choosing windows by speed chooses the answer. The wind of a window is that of
its speed: passed through the boat's own first-order lag, so that a rising wind is not paired with the speed of the wind
before it. Every sample left out has one named reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import UNLOGGED, Boat
from pipeline.sailing.effective_size import lagged_products
from pipeline.sailing.expected_speed import expected_speed_kn
from pipeline.sailing.manoeuvres import manoeuvres_along
from pipeline.sailing.set_aside import KEPT, SampleReasons, reasons_of_samples
from pipeline.sailing.speed_lag import LagEvidence, lag_evidence, lagged_in_blocks
from pipeline.sailing.steadiness import CircularSums, Known, Steadiness, SteadinessOf, Sums
from pipeline.sailing.stretches import Flags, Ints
from pipeline.sailing.times import Spans, moments
from pipeline.sailing.track import Track
from pipeline.sailing.turns import sides
from pipeline.sailing.wind_of_samples import GROUND, WATER
from pipeline.sailing.window_rules import (
    LEAST_KNOWN_SHARE,
    LEAST_SAMPLES,
    START_EVERY_S,
    WindowRules,
    rung_counts,
    window_length_s,
)
from pipeline.tables import TABLES

TOO_SHORT = "too short between disturbances"
# A gap in the samples longer than this ends a block.
LONGEST_GAP_S = 10.0
# Before a window the block must have gone on for this share of the lag, so that its speed has its wind on record.
LEAD_LAGS = 1.5
TREND_MARGIN_S = 60.0

# Columns of a piece's windows, beside those that only the season knows, and of its set-aside spans.
OF_SEASON = ("session", "effective_n")
WINDOWS: dict[str, pl.DataType] = {
    **{name: kind for name, kind in TABLES["windows"].columns.items() if name not in OF_SEASON},
    **dict.fromkeys(
        (
            *("tws_trend_kn_min", "tws_unlagged_kn", "twa_unlagged_deg"),
            *("hdg_deg", "hdg_sd_deg", "rudder_deg", "stw_sog_diff_kn", "minutes"),
        ),
        pl.Float64(),
    ),
    "samples": pl.Int64(),
    "step_s": pl.Float64(),
    "speed_source": pl.String(),
    "quality": pl.String(),
}
SET_ASIDE: dict[str, pl.DataType] = {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "reason": pl.String()}


@dataclass(frozen=True, slots=True)
class Examined:
    """A piece without its windows: `track` as it is, `clean` without holes, `blocks` of undisturbed sailing in it."""

    track: Track
    clean: Track
    reasons: SampleReasons
    blocks: list[tuple[int, int]]
    segments: pl.DataFrame
    steadiness: SteadinessOf
    lag: LagEvidence

    def length_s(self, lag_s: float) -> float:
        """Length of its windows."""
        return window_length_s(lag_s, self.track.step_s)


@dataclass(frozen=True, slots=True)
class Ranges:
    """Index ranges [first, end) of the track, each with its block's."""

    first: Ints
    end: Ints
    block_first: Ints
    block_end: Ints

    def take(self, at: Ints) -> Ranges:
        """Those at the places `at`."""
        return Ranges(self.first[at], self.end[at], self.block_first[at], self.block_end[at])


@dataclass(frozen=True, slots=True)
class PossibleWindows:
    """Every window on a grid of starts, and its steadiness.

    `enough`: whether its samples suffice; `counts`: how many of those hold how still, rung by rung of every limit.
    """

    ranges: Ranges
    steadiness: Steadiness
    enough: Flags
    counts: dict[str, list[int]]


@dataclass(frozen=True, slots=True)
class PieceWindows:
    """What a piece has to say: `windows` by columns (times in seconds since 1970), without what the season numbers and
    weighs (`windows.assemble`), `set_aside` (start, end, reason), `counts` of the log's samples by reason, and the
    `lagged_products` of its speeds.
    """

    windows: dict[str, np.ndarray]
    set_aside: pl.DataFrame
    counts: dict[str, int]
    memory: Floats


def examine(
    track: Track,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    boat: Boat,
    *,
    exclude: pl.DataFrame | None,
    engine: Spans,
) -> Examined:
    """Reasons and blocks of one piece; `segments` and `sessions` are those that touch it, sorted by start.

    `engine`: `engine_spans` of the settings log.
    """
    expected = expected_speed_kn(track)
    side = sides(track, boat.loa_m)
    manoeuvres = manoeuvres_along(track, boat.loa_m, expected, side)
    reasons = reasons_of_samples(track, expected, manoeuvres, segments, sessions, exclude, engine)
    clean = _without_holes(track, reasons)
    blocks = _blocks(track, reasons, side)
    track.forget()
    lag = lag_evidence(clean, blocks, boat.loa_m)
    return Examined(track, clean, reasons, blocks, segments, SteadinessOf(clean), lag)


def possible_windows(piece: Examined, lag_s: float) -> PossibleWindows:
    """Every possible window of a piece, after the lead that the lag needs."""
    ranges = _grid(piece.track, piece.blocks, lag_s, piece.length_s(lag_s))
    first, end, clean = ranges.first, ranges.end, piece.clean
    known = Known(np.isfinite(clean.tws_kn + clean.bsp_kn)).count(first, end)
    enough = (known >= LEAST_KNOWN_SHARE * np.maximum(end - first, 1)) & (known >= LEAST_SAMPLES)
    steadiness = piece.steadiness.over(first, end)
    return PossibleWindows(ranges, steadiness, enough, rung_counts(steadiness, enough))


def chosen(piece: Examined, possible: PossibleWindows, rules: WindowRules) -> PieceWindows:
    """The windows of a piece under the season's rules, the earliest first, none overlapping."""
    failures = [("too many samples missing", ~possible.enough), *rules.failures(possible.steadiness)]
    good = ~np.logical_or.reduce([mask for _, mask in failures])
    cut = possible.ranges.take(_apart(possible.ranges, np.flatnonzero(good)))
    code, names = _final_reasons(piece, possible.ranges, cut, failures)
    counts = np.bincount(code, weights=piece.track.samples, minlength=len(names)).astype(int).tolist()
    memory = lagged_products(
        piece.clean.bsp_kn, cut.first, cut.end, piece.track.count(piece.length_s(rules.lag.lag_s) / 2.0)
    )
    return PieceWindows(
        _describe(piece, cut, rules.lag.lag_s),
        _spans(piece.track, code, names),
        {name: count for name, count in zip(names, counts, strict=True) if count},
        memory,
    )


def _without_holes(track: Track, reasons: SampleReasons) -> Track:
    def known(values: Floats) -> Floats:
        return np.where(reasons.hole, np.nan, values)

    return replace(
        track,
        bsp_kn=known(track.bsp_kn),
        tws_kn=known(track.tws_kn),
        twa_deg=known(track.twa_deg),
        twd_deg=known(track.twd_deg),
        aws_kn=known(track.aws_kn),
        awa_deg=known(track.awa_deg),
    )


def _blocks(track: Track, reasons: SampleReasons, side: Ints) -> list[tuple[int, int]]:
    """Index ranges free of reasons, within one session, segment, tack and source of speed, without a long gap."""
    n = len(track)
    if n == 0:
        return []
    edge = np.zeros(n + 1, dtype=bool)
    edge[0] = edge[n] = True
    free = reasons.code < 0
    for state in (free, reasons.session, reasons.segment, track.ground, side, track.stretch):
        edge[1:n] |= state[1:] != state[:-1]
    edge[1:n] |= _gaps(track)
    bounds = np.flatnonzero(edge)
    return [(int(a), int(b)) for a, b in pairwise(bounds) if free[a]]


def _gaps(track: Track) -> np.ndarray:
    """Whether the log has a gap after each sample but the last."""
    return np.diff(track.time_s) > max(LONGEST_GAP_S, 3.0 * track.step_s)


def _grid(track: Track, blocks: list[tuple[int, int]], lag_s: float, length_s: float) -> Ranges:
    """Every window that fits."""
    parts = [np.zeros((0, 4), dtype=np.int64)]
    for a, b in blocks:
        t = track.time_s[a:b]
        last_s = t[-1] + track.step_s
        starts = np.arange(t[0] + LEAD_LAGS * lag_s, last_s - length_s + 0.5 * track.step_s, START_EVERY_S)
        if starts.size == 0:
            continue
        first = a + np.searchsorted(t, starts - 0.25 * track.step_s)
        first = first[np.append(True, first[1:] != first[:-1])]
        end = a + np.searchsorted(t, track.time_s[first] + length_s - 0.25 * track.step_s)
        parts.append(np.column_stack((first, end, np.full(len(first), a), np.full(len(first), b))))
    return Ranges(*np.concatenate(parts).T)


def _apart(windows: Ranges, good: Ints) -> Ints:
    """Of the good windows those that begin after the one before has ended."""
    picked: list[int] = []
    free_from = 0
    for i, a, b in zip(good.tolist(), windows.first[good].tolist(), windows.end[good].tolist(), strict=True):
        if a >= free_from:
            picked.append(i)
            free_from = b
    return np.asarray(picked, dtype=np.int64)


def as_table(pieces: Sequence[PieceWindows]) -> pl.DataFrame:
    """The windows of pieces, one after the other."""
    columns = []
    for name, kind in WINDOWS.items():
        whole = np.concatenate([piece.windows[name] for piece in pieces] or [[]])
        if kind == pl.Datetime("us"):
            columns.append(moments(whole).alias(name))
        else:
            values = whole.tolist() if whole.dtype == object else whole
            columns.append(pl.Series(name, values, nan_to_null=True).cast(kind))
    return pl.DataFrame(columns)


def _describe(piece: Examined, cut: Ranges, lag_s: float) -> dict[str, np.ndarray]:
    track, a, b = piece.clean, cut.first, cut.end
    tws_lagged, c_lagged, s_lagged = _lagged_wind(track, piece.blocks, lag_s)
    c, s = Sums(c_lagged).mean(a, b), Sums(s_lagged).mean(a, b)
    bsp, tws, heel = Sums(track.bsp_kn), piece.steadiness.tws, Sums(track.heel_deg)
    awa, twd = CircularSums(track.awa_deg), CircularSums(track.twd_deg)
    twa, hdg, rudder = piece.steadiness.twa, piece.steadiness.hdg, piece.steadiness.rudder
    margin = track.count(TREND_MARGIN_S)
    wide = np.maximum(a - margin, cut.block_first), np.minimum(b + margin, cut.block_end)
    start_s = track.time_s[a]
    end_s = track.time_s[b - 1] + track.step_s
    return {
        "start": start_s,
        "end": end_s,
        "sail_set": _of_segments(piece.segments, "sail_set", piece.reasons.segment[a], UNLOGGED),
        "tws_kn": Sums(tws_lagged).mean(a, b),
        "twa_deg": np.degrees(np.arctan2(s, c)),
        "twd_deg": twd.mean_360(a, b),
        "bsp_kn": bsp.mean(a, b),
        "aws_kn": Sums(track.aws_kn).mean(a, b),
        "awa_deg": awa.mean_180(a, b),
        "heel_deg": heel.mean(a, b),
        "tws_sd_kn": tws.sd(a, b),
        "twa_sd_deg": twa.sd(a, b),
        "bsp_sd_kn": bsp.sd(a, b),
        "tws_trend_kn_min": tws.trend_per_min(*wide),
        "tws_unlagged_kn": tws.mean(a, b),
        "twa_unlagged_deg": twa.mean_180(a, b),
        "hdg_deg": hdg.mean_360(a, b),
        "hdg_sd_deg": hdg.sd(a, b),
        "rudder_deg": rudder.mean(a, b),
        "stw_sog_diff_kn": bsp.mean(a, b) - Sums(track.sog_kn).mean(a, b),
        "minutes": (end_s - start_s) / 60.0,
        "samples": bsp.count(a, b),
        "step_s": np.full(len(a), track.step_s),
        "speed_source": np.where(track.ground[a], GROUND, WATER),
        "quality": _of_segments(piece.segments, "quality", piece.reasons.segment[a], None),
    }


def _lagged_wind(track: Track, blocks: list[tuple[int, int]], lag_s: float) -> tuple[Floats, Floats, Floats]:
    """TWS and the components of TWA through the boat's lag, block by block."""
    rad = np.radians(track.twa_deg)
    values = np.stack((track.tws_kn, np.cos(rad), np.sin(rad)))
    passed = lagged_in_blocks(values, blocks, track.step_s, lag_s)
    passed[:, ~np.isfinite(track.bsp_kn)] = np.nan
    return passed[0], passed[1], passed[2]


def _final_reasons(
    piece: Examined, possible: Ranges, cut: Ranges, failed: list[tuple[str, np.ndarray]]
) -> tuple[Ints, tuple[str, ...]]:
    """One reason a sample: kept, one of the sample's own, the limit its windows broke, or too short."""
    names = (*piece.reasons.names, *(name for name, _ in failed), TOO_SHORT, KEPT)
    n = len(piece.track)
    code = piece.reasons.code.copy()
    code[_covered(n, cut.first, cut.end)] = names.index(KEPT)
    for name, mask in failed:
        hit = _covered(n, possible.first[mask], possible.end[mask])
        code[(code < 0) & hit] = names.index(name)
    code[code < 0] = names.index(TOO_SHORT)
    return code, names


def _covered(n: int, first: Ints, end: Ints) -> np.ndarray:
    step = np.bincount(first, minlength=n + 1) - np.bincount(end, minlength=n + 1)
    return np.cumsum(step)[:n] > 0


def _spans(track: Track, code: Ints, names: tuple[str, ...]) -> pl.DataFrame:
    """Runs of one reason, kept samples left out: start, end, reason."""
    n = len(track)
    if n == 0:
        return pl.DataFrame(schema=SET_ASIDE)
    change = (np.diff(code) != 0) | _gaps(track)
    first = np.concatenate(([0], np.flatnonzero(change) + 1))
    end = np.concatenate((first[1:], [n]))
    out = code[first] != names.index(KEPT)
    return pl.DataFrame(
        {
            "start": moments(track.time_s[first[out]]),
            "end": moments(track.time_s[end[out] - 1] + track.step_s),
            "reason": pl.Series([names[c] for c in code[first[out]]], dtype=pl.String),
        }
    )


def _of_segments(segments: pl.DataFrame, column: str, row: Ints, otherwise: str | None) -> np.ndarray:
    """Texts of the segments at rows, -1 where there is none."""
    values = segments[column].to_list() if column in segments.columns else [None] * segments.height
    return np.array([*values, otherwise], dtype=object)[row]

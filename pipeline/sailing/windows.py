"""Steady windows: stretches in which set, tack, wind and heading hold still enough for one averaged point."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import UNLOGGED, Boat
from pipeline.sailing.effective_size import effective_n, pooled_autocorrelation
from pipeline.sailing.manoeuvres import manoeuvres_of
from pipeline.sailing.set_aside import KEPT, SampleReasons, reasons_of_samples
from pipeline.sailing.speed_lag import estimate_lag, lagged
from pipeline.sailing.states_in_force import states_in_force
from pipeline.sailing.steadiness import CircularSums, SteadinessOf, Sums
from pipeline.sailing.stretches import Ints
from pipeline.sailing.track import Track, track_of
from pipeline.sailing.turns import sides
from pipeline.sailing.window_rules import (
    LEAST_KNOWN_SHARE,
    LEAST_SAMPLES,
    START_EVERY_S,
    WindowRules,
    own_limits,
    window_length_s,
)
from pipeline.tables import TABLES

STAGE = "windows"
TOO_SHORT = "too short between disturbances"
# A gap in the samples longer than this ends a block.
LONGEST_GAP_S = 10.0
# Before a window the block must have gone on for this share of the lag, so that its speed has its wind on record.
LEAD_LAGS = 1.5
TREND_MARGIN_S = 60.0

_US = 1e6


@dataclass(frozen=True, slots=True)
class SteadyWindows:
    """`windows`: columns of the table and more; `set_aside`: start, end, reason; `flags`: stage, reason, kept, count
    (samples of the log, and the number of windows); `thresholds`: name, value, unit, why.
    """

    windows: pl.DataFrame
    set_aside: pl.DataFrame
    flags: pl.DataFrame
    thresholds: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Cut:
    """Windows as index ranges [first, end) of the track, each with the first index of its block."""

    first: Ints
    end: Ints
    block_first: Ints
    block_end: Ints


def steady_windows(
    samples_with_wind: pl.DataFrame,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    boat: Boat,
    *,
    exclude: pl.DataFrame | None = None,
    settings_log: pl.DataFrame | None = None,
) -> SteadyWindows:
    """Non-overlapping windows of 30 to 60 s, each inside one segment, one session and one tack.

    Steadiness is judged on wind, heading and rudder, never on speed: choosing windows by speed chooses the answer.
    Means: TWS and BSP plainly, angles on the circle. The wind of a window is that of its speed: passed through the
    boat's own first-order lag, so that a rising wind is not paired with the speed of the wind before it. TWA and AWA
    are signed, starboard positive. Every sample left out has one named reason.
    """
    track = track_of(samples_with_wind)
    segments, sessions = segments.sort("start"), sessions.sort("start")
    manoeuvres = manoeuvres_of(track, boat.loa_m)
    reasons = reasons_of_samples(track, manoeuvres, segments, sessions, exclude, settings_log)
    clean = _without_holes(track, reasons)
    blocks = _blocks(track, reasons, boat.loa_m)

    lag = estimate_lag(clean, blocks, boat.loa_m)
    rules, cut, failed = _choose(clean, blocks, WindowRules(window_length_s(lag.lag_s, track.step_s), lag, {}))
    windows = _describe(clean, cut, rules, segments, sessions, reasons, blocks, settings_log)
    code, names = _final_reasons(track, reasons, blocks, cut, failed, rules)
    return SteadyWindows(windows, _spans(track, code, names), _flags(track, code, names, windows.height), rules.table())


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


def _blocks(track: Track, reasons: SampleReasons, loa_m: float) -> list[tuple[int, int]]:
    """Index ranges free of reasons, within one session, segment, tack and source of speed, without a long gap."""
    n = len(track)
    if n == 0:
        return []
    edge = np.zeros(n + 1, dtype=bool)
    edge[0] = edge[n] = True
    free = reasons.code < 0
    for state in (free, reasons.session, reasons.segment, track.ground, sides(track, loa_m), track.stretch):
        edge[1:n] |= state[1:] != state[:-1]
    edge[1:n] |= np.diff(track.time_s) > max(LONGEST_GAP_S, 3.0 * track.step_s)
    bounds = np.flatnonzero(edge)
    return [(int(a), int(b)) for a, b in pairwise(bounds) if free[a]]


def _choose(
    track: Track, blocks: list[tuple[int, int]], rules: WindowRules
) -> tuple[WindowRules, _Cut, list[tuple[str, np.ndarray, Ints, Ints]]]:
    """The rules with the boat's own limits, the windows, and for each limit the possible windows that broke it."""
    possible = _possible(track, blocks, rules)
    steadiness = SteadinessOf(track)
    known = Sums(track.tws_kn + track.bsp_kn).count(possible.first, possible.end)
    whole = possible.end - possible.first
    enough = (known >= LEAST_KNOWN_SHARE * np.maximum(whole, 1)) & (known >= LEAST_SAMPLES)
    s = steadiness.over(possible.first, possible.end)
    rules = replace(rules, limits=own_limits(steadiness.over(possible.first[enough], possible.end[enough])))
    failures = [("too many samples missing", ~enough), *rules.failures(s)]
    good = ~np.logical_or.reduce([mask for _, mask in failures]) if whole.size else np.zeros(0, dtype=bool)
    picked: list[int] = []
    free_from = 0
    for i in np.flatnonzero(good):
        if possible.first[i] >= free_from:
            picked.append(int(i))
            free_from = possible.end[i]
    at = np.asarray(picked, dtype=np.int64)
    cut = _Cut(possible.first[at], possible.end[at], possible.block_first[at], possible.block_end[at])
    return rules, cut, [(name, mask, possible.first, possible.end) for name, mask in failures]


def _possible(track: Track, blocks: list[tuple[int, int]], rules: WindowRules) -> _Cut:
    """Every window on a grid of starts, after the lead that the lag needs."""
    parts = []
    lead_s = LEAD_LAGS * rules.lag.lag_s
    for a, b in blocks:
        t = track.time_s[a:b]
        last_s = t[-1] + track.step_s
        starts = np.arange(t[0] + lead_s, last_s - rules.length_s + 0.5 * track.step_s, START_EVERY_S)
        if starts.size == 0:
            continue
        first = np.unique(a + np.searchsorted(t, starts - 0.25 * track.step_s))
        end = a + np.searchsorted(t, track.time_s[first] + rules.length_s - 0.25 * track.step_s)
        parts.append(np.column_stack((first, end, np.full(len(first), a), np.full(len(first), b))))
    table = np.concatenate(parts).astype(np.int64) if parts else np.zeros((0, 4), dtype=np.int64)
    return _Cut(*table.T)


def _describe(
    track: Track,
    cut: _Cut,
    rules: WindowRules,
    segments: pl.DataFrame,
    sessions: pl.DataFrame,
    reasons: SampleReasons,
    blocks: list[tuple[int, int]],
    settings_log: pl.DataFrame | None,
) -> pl.DataFrame:
    a, b = cut.first, cut.end
    tws_lagged, c_lagged, s_lagged = _lagged_wind(track, blocks, rules.lag.lag_s)
    c, s = Sums(c_lagged).mean(a, b), Sums(s_lagged).mean(a, b)
    bsp, tws, heel = Sums(track.bsp_kn), Sums(track.tws_kn), Sums(track.heel_deg)
    twa, awa, twd, hdg = (CircularSums(x) for x in (track.twa_deg, track.awa_deg, track.twd_deg, track.hdg_deg))
    margin = track.count(TREND_MARGIN_S)
    wide = np.maximum(a - margin, cut.block_first), np.minimum(b + margin, cut.block_end)
    start_s = track.time_s[a]
    end_s = track.time_s[b - 1] + track.step_s
    memory = pooled_autocorrelation(
        [track.bsp_kn[i:j] for i, j in zip(a, b, strict=True)], track.count(rules.length_s / 2.0)
    )
    columns: dict[str, Floats | pl.Series] = {
        "start": _times(start_s),
        "end": _times(end_s),
        "session": _session_numbers(sessions, reasons.session[a]),
        "sail_set": _set_names(segments, reasons.segment[a]),
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
        "effective_n": effective_n(bsp.count(a, b), memory),
        "tws_trend_kn_min": SteadinessOf(track).tws.trend_per_min(*wide),
        "tws_unlagged_kn": tws.mean(a, b),
        "twa_unlagged_deg": twa.mean_180(a, b),
        "hdg_deg": hdg.mean_360(a, b),
        "hdg_sd_deg": hdg.sd(a, b),
        "rudder_deg": Sums(track.rudder_deg).mean(a, b),
        "stw_sog_diff_kn": bsp.mean(a, b) - Sums(track.sog_kn).mean(a, b),
        "minutes": (end_s - start_s) / 60.0,
        "samples": bsp.count(a, b),
        "speed_source": pl.Series(np.where(track.ground[a], "ground", "water"), dtype=pl.String),
        "quality": _quality(segments, reasons.segment[a]),
        "day": _days(sessions, reasons.session[a], start_s),
        **states_in_force(start_s, settings_log),
    }
    series = [x.alias(k) if isinstance(x, pl.Series) else pl.Series(k, x, nan_to_null=True) for k, x in columns.items()]
    return TABLES["windows"].conform(pl.DataFrame(series).with_columns(pl.col("samples").cast(pl.Int64)))


def _lagged_wind(track: Track, blocks: list[tuple[int, int]], lag_s: float) -> tuple[Floats, Floats, Floats]:
    """TWS and the components of TWA through the boat's lag, block by block."""
    rad = np.radians(track.twa_deg)
    out = []
    for values in (track.tws_kn, np.cos(rad), np.sin(rad)):
        passed = np.full(len(track), np.nan)
        for a, b in blocks:
            passed[a:b] = lagged(values[a:b], track.step_s, lag_s)
        out.append(np.where(np.isfinite(track.bsp_kn), passed, np.nan))
    return out[0], out[1], out[2]


def _final_reasons(
    track: Track,
    reasons: SampleReasons,
    blocks: list[tuple[int, int]],
    cut: _Cut,
    failed: list[tuple[str, np.ndarray, Ints, Ints]],
    rules: WindowRules,
) -> tuple[Ints, tuple[str, ...]]:
    """One reason a sample: kept, one of the sample's own, the limit its windows broke, or too short."""
    names = (*reasons.names, *(name for name, *_ in failed), TOO_SHORT, KEPT)
    code = reasons.code.copy()
    kept = _covered(len(track), cut.first, cut.end)
    code[kept] = names.index(KEPT)
    for name, mask, first, end in failed:
        hit = _covered(len(track), first[mask], end[mask])
        code[(code < 0) & hit] = names.index(name)
    code[code < 0] = names.index(TOO_SHORT)
    return code, names


def _covered(n: int, first: Ints, end: Ints) -> np.ndarray:
    step = np.bincount(first, minlength=n + 1) - np.bincount(end, minlength=n + 1)
    return np.cumsum(step)[:n] > 0


def _spans(track: Track, code: Ints, names: tuple[str, ...]) -> pl.DataFrame:
    """Runs of one reason, kept samples left out: start, end, reason."""
    n = len(track)
    schema = {"start": pl.Datetime("us"), "end": pl.Datetime("us"), "reason": pl.String()}
    if n == 0:
        return pl.DataFrame(schema=schema)
    change = (np.diff(code) != 0) | (np.diff(track.time_s) > max(LONGEST_GAP_S, 3.0 * track.step_s))
    first = np.concatenate(([0], np.flatnonzero(change) + 1))
    end = np.concatenate((first[1:], [n]))
    out = code[first] != names.index(KEPT)
    return pl.DataFrame(
        {
            "start": _times(track.time_s[first[out]]),
            "end": _times(track.time_s[end[out] - 1] + track.step_s),
            "reason": pl.Series([names[c] for c in code[first[out]]], dtype=pl.String),
        }
    )


def _flags(track: Track, code: Ints, names: tuple[str, ...], windows: int) -> pl.DataFrame:
    rows = [("steady windows", "windows kept", True, windows)]
    for i, name in enumerate(names):
        count = int(track.samples[code == i].sum())
        if count:
            rows.append((STAGE, name, name == KEPT, count))
    return pl.DataFrame(rows, schema=TABLES["flags"].columns, orient="row")


def _times(time_s: Floats) -> pl.Series:
    return pl.Series(np.round(time_s * _US).astype(np.int64), dtype=pl.Int64).cast(pl.Datetime("us"))


def _session_numbers(sessions: pl.DataFrame, row: Ints) -> pl.Series:
    return sessions["session"].gather(pl.Series(row, dtype=pl.UInt32)) if row.size else pl.Series([], dtype=pl.Int64)


def _set_names(segments: pl.DataFrame, row: Ints) -> pl.Series:
    if segments.height == 0:
        return pl.Series([UNLOGGED] * row.size, dtype=pl.String)
    return segments["sail_set"].gather(pl.Series(row, dtype=pl.UInt32)).fill_null(UNLOGGED)


def _quality(segments: pl.DataFrame, row: Ints) -> pl.Series:
    if segments.height == 0 or "quality" not in segments.columns:
        return pl.Series([None] * row.size, dtype=pl.String)
    return segments["quality"].gather(pl.Series(row, dtype=pl.UInt32))


def _days(sessions: pl.DataFrame, row: Ints, start_s: Floats) -> pl.Series:
    if row.size == 0:
        return pl.Series([], dtype=pl.String)
    return sessions["start"].gather(pl.Series(row, dtype=pl.UInt32)).dt.strftime("%Y-%m-%d")

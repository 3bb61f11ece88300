"""Short pieces of undisturbed sailing, averaged: what the calibration of the wind is estimated from."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from pipeline.angles import Floats, circular_mean, wrap_180
from pipeline.calibration.wind_change_moments import change_moments
from pipeline.campaign.settings import BARE, UNKNOWN, UNLOGGED, Boat
from pipeline.sailing.corrections_in_force import PARAMETERS, corrections_in_force
from pipeline.sailing.manoeuvres import manoeuvres_of
from pipeline.sailing.stretches import SESSION_GAP_S, Ints
from pipeline.sailing.tagging import set_at
from pipeline.sailing.track import Track, track_of
from pipeline.sailing.wind_of_samples import add_true_wind

# Long enough to average the masthead's swing, short enough to stay close to a turn on either side.
PIECE_S = 30.0
LEAST_PIECE_S = 12.0
LEAST_SAMPLES = 4
LEAST_KNOWN_SHARE = 0.6
# Before a turn the helm moves already; after it the damping of vane, log and compass dies away. Common practice.
BEFORE_TURN_S, AFTER_TURN_S = 8.0, 18.0
# Left out before and after the 90 % interval of a sail change's moment: sails are half up. The boat's speed need not be
# back for the wind to be right, so this is shorter than what `sailing.sail_changes` leaves out of the windows. Each
# second counts: the wind shifts meanwhile.
BEFORE_CHANGE_S, AFTER_CHANGE_S = 10.0, 10.0
# A wind this light has no direction to speak of, and a boat this slow no log.
LEAST_TWS_KN, LEAST_BSP_KN = 3.0, 1.0
# Pieces of one chunk share a course of the true wind; longer sessions are cut so that the algebra stays small.
LONGEST_CHUNK_S = 4.0 * 3600.0

_US = 1e6
_DAY_S = 86400.0
_NO_SAILS = (UNLOGGED, UNKNOWN, BARE)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Arrays of one length, ascending in time; angles signed to starboard.

    `awa_deg, aws_kn`: raw, in the sensor's plane (vector mean); `bsp_kn`: raw log, or speed over ground where that
    stands in (`ground`); `hdg_deg`: true, without the offset; `leeway_deg`: as measured, NaN where it is computed;
    `twd_deg, tws_kn`: the wind as computed with the calibration in use (vector mean, reference height); `in_use`: that
    calibration by parameter; `sail_set`: index into `sets`, -1 where unknown; `day`: index into `days`;
    `chunk`, `block`: number of the chunk and of the stretch between disturbances.
    """

    time_s: Floats
    seconds: Floats
    awa_deg: Floats
    aws_kn: Floats
    bsp_kn: Floats
    heel_deg: Floats
    pitch_deg: Floats
    hdg_deg: Floats
    leeway_deg: Floats
    twd_deg: Floats
    tws_kn: Floats
    twa_deg: Floats
    ground: np.ndarray
    sail_set: Ints
    day: Ints
    chunk: Ints
    block: Ints
    in_use: dict[str, Floats]
    sets: tuple[str, ...]
    days: pl.Series

    def __len__(self) -> int:
        """Number of pieces."""
        return len(self.time_s)

    def where(self, keep: np.ndarray) -> Pieces:
        """The pieces picked by a mask or by indices."""
        same = ("in_use", "sets", "days")
        picked = {f.name: getattr(self, f.name)[keep] for f in fields(self) if f.name not in same}
        return Pieces(**picked, in_use={k: v[keep] for k, v in self.in_use.items()}, sets=self.sets, days=self.days)


def pieces_of(
    samples_with_wind: pl.DataFrame, segments: pl.DataFrame, sessions: pl.DataFrame, boat: Boat
) -> tuple[Pieces, pl.DataFrame]:
    """Pieces of 30 s outside turns and sail changes, and the manoeuvres that part them (`find_manoeuvres`' columns).

    `samples_with_wind` as `add_true_wind` leaves it. Samples without wind, speed or heading belong to no piece.
    """
    track = track_of(samples_with_wind)
    manoeuvres = manoeuvres_of(track, boat.loa_m)
    time_s = samples_with_wind["time"].cast(pl.Datetime("us")).to_physical().to_numpy() / _US
    changes, moved = _changes(track, manoeuvres, segments, boat)
    track.forget()
    sail_set = set_at(samples_with_wind["time"], moved)
    if boat.calibration.sets:
        samples_with_wind = add_true_wind(samples_with_wind, boat, sail_set).samples
    names, code = _coded(sail_set)
    disturbed = _within(time_s, _turns(manoeuvres) + changes)
    session, session_day, days = _sessions(time_s, sessions)
    block = _blocks(time_s, disturbed | (session < 0), code, session)
    frame = _per_sample(samples_with_wind, boat, sail_set).with_columns(
        pl.Series("t", time_s), pl.Series("block", block), pl.Series("code", code), pl.Series("session", session)
    )
    means = _averaged(frame.filter(pl.col("block") >= 0))
    return _as_pieces(means, names, session_day, days), manoeuvres


def _coded(sail_set: pl.Series) -> tuple[tuple[str, ...], Ints]:
    names = tuple(n for n in sail_set.unique().sort().to_list() if n is not None and n not in _NO_SAILS)
    index = {n: i for i, n in enumerate(names)}
    code = sail_set.replace_strict(index, default=-1, return_dtype=pl.Int64) if index else pl.Series([-1]).head(0)
    return names, code.fill_null(-1).to_numpy() if index else np.full(len(sail_set), -1, dtype=np.int64)


def _turns(manoeuvres: pl.DataFrame) -> list[tuple[float, float]]:
    starts = manoeuvres["start"].to_physical().to_numpy() / _US - BEFORE_TURN_S
    ends = manoeuvres["turn_end"].to_physical().to_numpy() / _US + AFTER_TURN_S
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _changes(
    track: Track, manoeuvres: pl.DataFrame, segments: pl.DataFrame, boat: Boat
) -> tuple[list[tuple[float, float]], pl.DataFrame]:
    """What is left out about sail changes, and the segments parted at their most likely moments."""
    stamps_s = np.array(sorted(sail_changes_s(segments)))
    found = change_moments(track, manoeuvres, stamps_s, boat.loa_m)
    spans = zip(found.first_s - BEFORE_CHANGE_S, found.last_s + AFTER_CHANGE_S, strict=True)
    micros = (np.round(x * _US).astype(np.int64).tolist() for x in (stamps_s, np.maximum.accumulate(found.moment_s)))
    at = dict(zip(*micros, strict=True))
    ends = [pl.from_epoch(pl.col(c).cast(pl.Datetime("us")).to_physical().replace(at), "us") for c in ("start", "end")]
    return list(spans), segments.with_columns(ends) if at else segments


def sail_changes_s(segments: pl.DataFrame) -> list[float]:
    """Moments (seconds since 1970) at which one set gives way to another."""
    s = segments.sort("start")
    if s.height < 2:
        return []
    joined = (s["start"][1:] == s["end"][:-1]) & (s["sail_set"][1:] != s["sail_set"][:-1])
    return (s["start"][1:].filter(joined).cast(pl.Datetime("us")).to_physical() / _US).to_list()


def _within(time_s: Floats, spans: list[tuple[float, float]]) -> np.ndarray:
    n = len(time_s)
    low, high = np.array(spans, dtype=float).reshape(-1, 2).T
    first, end = np.searchsorted(time_s, low, side="left"), np.searchsorted(time_s, high, side="right")
    step = np.bincount(first, minlength=n + 1) - np.bincount(end, minlength=n + 1)
    return np.cumsum(step)[:n] > 0


def _sessions(time_s: Floats, sessions: pl.DataFrame) -> tuple[Ints, Ints, pl.Series]:
    """Row of the session of each sample (-1: none), day of each session as an index, and the days."""
    start = sessions["start"].cast(pl.Datetime("us"))
    start_s = start.to_physical().to_numpy() / _US
    end_s = sessions["end"].cast(pl.Datetime("us")).to_physical().to_numpy() / _US
    row = np.searchsorted(start_s, time_s, side="right") - 1
    inside = (row >= 0) & (time_s <= end_s[np.maximum(row, 0)] + 1.0) if len(start_s) else np.zeros(len(time_s), bool)
    dates = start.dt.date()
    days = dates.unique().sort()
    number = np.searchsorted(days.to_physical().to_numpy(), dates.to_physical().to_numpy())
    return np.where(inside, row, -1).astype(np.int64), number.astype(np.int64), days.alias("day")


def _blocks(time_s: Floats, out: np.ndarray, code: Ints, session: Ints) -> Ints:
    """Number of the undisturbed stretch of one set within one session; -1 outside."""
    if len(time_s) == 0:
        return np.zeros(0, dtype=np.int64)
    gap = np.diff(time_s) > min(PIECE_S, SESSION_GAP_S)
    new = (out[1:] != out[:-1]) | (code[1:] != code[:-1]) | (session[1:] != session[:-1]) | gap
    number = np.concatenate(([0], np.cumsum(new))).astype(np.int64)
    return np.where(out, -1, number)


def _per_sample(samples: pl.DataFrame, boat: Boat, sail_set: pl.Series) -> pl.DataFrame:
    """Raw channels and computed wind, as components where they are angles."""
    use = corrections_in_force(boat.calibration, samples["time"], sail_set)

    def get(name: str) -> pl.Expr:
        return pl.col(name).cast(pl.Float64) if name in samples.columns else pl.lit(None, pl.Float64)

    frame = samples.with_columns(pl.Series(f"use_{p}", v) for p, v in use.items())
    ground = pl.col("speed_source").eq("ground").fill_null(False)
    hdg = (get("hdg_deg") - pl.col("use_heading_offset_deg")).radians()
    awa, twd, twa = get("awa").radians(), get("twd_deg").radians(), get("twa_deg").radians()
    measured = pl.when(get("leeway").is_not_null()).then(get("leeway_deg"))
    return frame.select(
        ax=get("aws") * awa.cos(),
        ay=get("aws") * awa.sin(),
        bsp=pl.when(ground).then(get("bsp_kn")).otherwise(get("bsp_kn") / pl.col("use_boat_speed_factor")),
        heel=get("heel_deg"),
        pitch=get("pitch"),
        hc=hdg.cos(),
        hs=hdg.sin(),
        leeway=measured,
        wn=get("tws_kn") * twd.cos(),
        we=get("tws_kn") * twd.sin(),
        tc=twa.cos(),
        ts=twa.sin(),
        ground=ground.cast(pl.Float64),
        **{f"use_{p}": pl.col(f"use_{p}") for p in PARAMETERS},
    ).with_columns(pl.all().fill_nan(None))


_NEEDED = ("ax", "ay", "bsp", "hc", "wn", "we")


def _averaged(frame: pl.DataFrame) -> pl.DataFrame:
    """One row a piece: blocks cut into equal parts of about `PIECE_S`, means of what is known."""
    known = pl.all_horizontal(pl.col(c).is_not_null() for c in _NEEDED)
    first, last = pl.col("t").min().over("block"), pl.col("t").max().over("block")
    parts = ((last - first) / PIECE_S).round().clip(lower_bound=1)
    at = (((pl.col("t") - first) / (last - first).clip(lower_bound=1e-3) * parts).floor()).clip(upper_bound=parts - 1)
    plain = [c for c in frame.columns if c not in ("t", "block", "code", "session")]
    return (
        frame.with_columns(piece=at.cast(pl.Int64), known=known)
        .group_by("block", "piece", maintain_order=True)
        .agg(
            *(pl.col(c).filter(pl.col("known")).mean() for c in plain),
            pl.col("t").filter(pl.col("known")).mean(),
            pl.col("code").first(),
            pl.col("session").first(),
            span=pl.col("t").max() - pl.col("t").min(),
            share=pl.col("known").mean(),
            count=pl.col("known").sum(),
        )
        .filter(
            (pl.col("share") >= LEAST_KNOWN_SHARE)
            & (pl.col("count") >= LEAST_SAMPLES)
            & (pl.col("span") >= LEAST_PIECE_S)
            & (pl.col("bsp") >= LEAST_BSP_KN)
            & ((pl.col("wn") ** 2 + pl.col("we") ** 2) >= LEAST_TWS_KN**2)
        )
        .sort("t")
    )


def _as_pieces(means: pl.DataFrame, names: tuple[str, ...], session_day: Ints, days: pl.Series) -> Pieces:
    get = {c: means[c].cast(pl.Float64).fill_null(float("nan")).to_numpy() for c in means.columns}
    session = means["session"].to_numpy().astype(np.int64)
    time_s = get["t"]
    return Pieces(
        time_s=time_s,
        seconds=get["span"],
        awa_deg=np.degrees(np.arctan2(get["ay"], get["ax"])),
        aws_kn=np.hypot(get["ax"], get["ay"]),
        bsp_kn=get["bsp"],
        heel_deg=get["heel"],
        pitch_deg=get["pitch"],
        hdg_deg=np.degrees(np.arctan2(get["hs"], get["hc"])),
        leeway_deg=get["leeway"],
        twd_deg=np.degrees(np.arctan2(get["we"], get["wn"])),
        tws_kn=np.hypot(get["wn"], get["we"]),
        twa_deg=np.degrees(np.arctan2(get["ts"], get["tc"])),
        ground=get["ground"] > 0.5,
        sail_set=means["code"].to_numpy().astype(np.int64),
        day=session_day[session] if len(session) else np.zeros(0, dtype=np.int64),
        chunk=_chunks(time_s, session),
        block=means["block"].to_numpy().astype(np.int64),
        in_use={p: get[f"use_{p}"] for p in PARAMETERS},
        sets=names,
        days=days,
    )


def _chunks(time_s: Floats, session: Ints) -> Ints:
    if len(time_s) == 0:
        return np.zeros(0, dtype=np.int64)
    first = time_s[np.searchsorted(session, session, side="left")]
    last = time_s[np.searchsorted(session, session, side="right") - 1]
    parts = np.maximum(np.ceil((last - first) / LONGEST_CHUNK_S), 1.0)
    part = np.minimum(np.floor((time_s - first) / np.maximum(last - first, 1.0) * parts), parts - 1.0)
    key = session * 100000 + part.astype(np.int64)
    return np.unique(key, return_inverse=True)[1].astype(np.int64)


def unwrapped_twd_deg(pieces: Pieces) -> Floats:
    """Wind direction of the pieces without jumps of 360 deg, about the mean direction of each chunk."""
    out = np.empty(len(pieces))
    for c in np.unique(pieces.chunk):
        here = pieces.chunk == c
        away = wrap_180(pieces.twd_deg[here] - float(np.nan_to_num(circular_mean(pieces.twd_deg[here]))))
        out[here] = np.unwrap(away, period=360.0)
    return out

"""An invented season whose tables are made here, so that reports are tested apart from the stages before them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Instruments, Sail, SailSet
from pipeline.diagnostics.season import SCHEMAS
from pipeline.tables import TABLES
from tests.reporting.decided import make_decisions

SETS = ("J1", "J2", "G1", "G2+ST")
PEAK_DEG = {"J1": 65.0, "J2": 75.0, "G1": 125.0, "G2+ST": 110.0}
WIND_BEST_KN = {"J1": 9.0, "J2": 20.0, "G1": 11.0, "G2+ST": 19.0}
DESIGN_OFF_DEG = 6.0


def speed_kn(sail_set: str, tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
    """An invented boat speed: saturating in wind, peaked in angle, each set at home somewhere."""
    base = 10.5 * tws_kn / (tws_kn + 6.0)
    angle = np.exp(-(((twa_deg - PEAK_DEG[sail_set]) / 62.0) ** 2))
    wind = 1.0 - 0.0012 * (tws_kn - WIND_BEST_KN[sail_set]) ** 2
    return base * angle * wind


def make_boat() -> Boat:
    sails = [
        Sail("MN", "mainsail", "mast", weight_kg=90.0),
        Sail("J1", "headsail", "forestay", weight_kg=40.0),
        Sail("J2", "headsail", "inner", max_aws_kn=40.0),
        Sail("G1", "spinnaker", "bowsprit", max_aws_kn=16.0),
        Sail("G2", "spinnaker", "bowsprit", max_aws_kn=24.0),
        Sail("ST", "headsail", "staystay"),
    ]
    return Boat(
        name="Invented Plover",
        loa_m=13.2,
        instruments=Instruments(wind_sensor_height_m=20.5),
        sails={s.code: s for s in sails},
        sail_sets=(
            SailSet("J1", ("MN", "J1")),
            SailSet("J2", ("MN", "J2")),
            SailSet("G1", ("MN", "G1")),
            SailSet("G2+ST", ("MN", "G2", "ST")),
        ),
    )


def make_surfaces(sets: tuple[str, ...] = SETS) -> pl.DataFrame:
    tws, twa = (a.ravel() for a in np.meshgrid(np.arange(4.0, 31.0), np.arange(30.0, 181.0, 5.0), indexing="ij"))
    parts = []
    for name in sets:
        bsp = speed_kn(name, tws, twa)
        near = np.hypot((tws - WIND_BEST_KN[name]) / 7.0, (twa - PEAK_DEG[name]) / 42.0)
        half = 0.12 + 0.25 * near
        parts.append(
            pl.DataFrame(
                {
                    "sail_set": [name] * tws.size,
                    "tws_kn": tws,
                    "twa_deg": twa,
                    "bsp_kn": bsp,
                    "bsp_low_kn": bsp - half,
                    "bsp_high_kn": bsp + half,
                    "minutes": np.maximum(0.0, 40.0 * (1.0 - near)),
                    "supported": near < 1.0,
                }
            )
        )
    return TABLES["surfaces"].conform(pl.concat(parts))


def make_best(surfaces: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for (tws, twa), cell in surfaces.group_by(["tws_kn", "twa_deg"], maintain_order=True):
        ok = cell.filter("supported").sort("bsp_kn", descending=True, maintain_order=True)
        row = dict.fromkeys(TABLES["best_set"].columns)
        row |= {"tws_kn": tws, "twa_deg": twa, "verdict": "unsailed"}
        if ok.height == 1:
            row |= {"best_set": ok["sail_set"][0], "verdict": "close"}
        elif ok.height > 1:
            margin = 100.0 * (ok["bsp_kn"][0] - ok["bsp_kn"][1]) / ok["bsp_kn"][1]
            probability = float(1.0 - 0.5 * np.exp(-margin / 1.5))
            row |= {
                "best_set": ok["sail_set"][0],
                "runner_up": ok["sail_set"][1],
                "margin_pct": margin,
                "probability": probability,
                "verdict": "clear" if probability >= 0.95 else "close",
            }
        rows.append(row)
    return TABLES["best_set"].conform(pl.DataFrame(rows, infer_schema_length=None))


def make_crossovers(best: pl.DataFrame) -> pl.DataFrame:
    """Where the best set changes from one lattice point to the next, with an interval of an invented width."""
    rows = []
    for along, at, step in (("tws_kn", "twa_deg", 1.0), ("twa_deg", "tws_kn", 5.0)):
        for (held,), line in best.filter(pl.col("verdict") != "unsailed").group_by([at], maintain_order=True):
            line = line.sort(along)
            for i in range(line.height - 1):
                a, b = line["best_set"][i], line["best_set"][i + 1]
                if a == b:
                    continue
                crossing = line[along][i] + step / 2
                half = step * (0.4 + (i % 4) * 0.6)
                open_side = i % 5 == 4
                verdict = (
                    "one-sided" if open_side else "clear" if 2 * half < (2 if along == "tws_kn" else 8) else "close"
                )
                rows.append(
                    (
                        "fixed-angle",
                        a,
                        b,
                        along,
                        held,
                        crossing,
                        crossing - half,
                        None if open_side else crossing + half,
                        verdict,
                    )
                )
    rows.append(("close-hauled", "J1", "J2", "tws_kn", None, 14.3, 13.2, 15.1, "clear"))
    rows.append(("running", "G1", "G2+ST", "tws_kn", None, 16.2, 12.0, None, "one-sided"))
    names = ["mode", "set_a", "set_b", "along", "at", "crossing", "crossing_low", "crossing_high", "verdict"]
    frame = pl.DataFrame(rows, schema=names, orient="row", infer_schema_length=None)
    return TABLES["crossovers"].conform(frame)


def make_differences(surfaces: pl.DataFrame, sets: tuple[str, ...] = SETS) -> pl.DataFrame:
    """Every pair in the order of `sets`: the exact difference of the invented speeds, 1 % either way as interval."""
    frames = []
    for k, a in enumerate(sets):
        for b in sets[k + 1 :]:
            both = surfaces.filter(sail_set=a).join(surfaces.filter(sail_set=b), on=["tws_kn", "twa_deg"], suffix="_b")
            ahead = 100.0 * (pl.col("bsp_kn_b") / pl.col("bsp_kn") - 1.0)
            frames.append(
                both.select(
                    set_a=pl.lit(a),
                    set_b=pl.lit(b),
                    tws_kn="tws_kn",
                    twa_deg="twa_deg",
                    difference_pct=ahead,
                    low_pct=ahead - 1.0,
                    high_pct=ahead + 1.0,
                    chance=(0.5 + ahead / 2.0).clip(0.0, 1.0),
                    supported=pl.col("supported") & pl.col("supported_b"),
                )
            )
    return pl.concat(frames)


def make_comparison(crossovers: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for row in crossovers.filter(pl.col("mode") == "fixed-angle").iter_rows(named=True):
        off = DESIGN_OFF_DEG if row["along"] == "twa_deg" else 1.0
        if {row["set_a"], row["set_b"]} == {"J1", "J2"}:
            off = 0.1
        low = None if row["crossing_low"] is None else row["crossing_low"] - row["crossing"] + off
        high = None if row["crossing_high"] is None else row["crossing_high"] - row["crossing"] + off
        closed = low is not None and high is not None
        verdict = "untested"
        if closed and (low > 0 or high < 0):
            verdict = "moved"
        elif closed and high - low < (2 if row["along"] == "tws_kn" else 8):
            verdict = "confirmed"
        cost = 0.2 * abs(off)
        rows.append(
            {
                "set_a": row["set_a"],
                "set_b": row["set_b"],
                "along": row["along"],
                "at": row["at"],
                "designed": row["crossing"] - off,
                "measured": row["crossing"],
                "shift": off,
                "shift_low": low,
                "shift_high": high,
                "cost_pct": cost,
                "cost_s_per_nm": 4.0 * cost,
                "verdict": verdict,
            }
        )
    return TABLES["design_comparison"].conform(pl.DataFrame(rows, infer_schema_length=None))


def make_windows(days: int = 6, per_day: int = 60, sets: tuple[str, ...] = SETS) -> pl.DataFrame:
    rng = np.random.default_rng(11)
    rows = []
    for day in range(days):
        begin = datetime(2027, 6, 12, 10, 0) + timedelta(days=day)
        for i in range(per_day):
            name = sets[(i // 15 + day) % len(sets)]
            tws = WIND_BEST_KN[name] + rng.normal(0, 2.2)
            twa = float(np.clip(PEAK_DEG[name] + rng.normal(0, 14.0), 32.0, 178.0))
            bsp = float(speed_kn(name, np.array([tws]), np.array([twa]))[0]) + rng.normal(0, 0.15)
            start = begin + timedelta(minutes=4 * i)
            side = 1.0 if i % 2 else -1.0
            rows.append(
                {
                    "start": start,
                    "end": start + timedelta(seconds=45),
                    "session": day,
                    "sail_set": name,
                    "tws_kn": tws,
                    "twa_deg": side * twa,
                    "twd_deg": 200.0,
                    "bsp_kn": bsp,
                    "aws_kn": tws + 3,
                    "awa_deg": side * twa * 0.6,
                    "heel_deg": -side * 12.0,
                    "tws_sd_kn": 0.6,
                    "twa_sd_deg": 2.0,
                    "bsp_sd_kn": 0.1,
                    "effective_n": 3.0,
                }
            )
    return TABLES["windows"].conform(pl.DataFrame(rows))


def make_segments(days: int = 6, sets: tuple[str, ...] = SETS) -> pl.DataFrame:
    rows = []
    for day in range(days):
        begin = datetime(2027, 6, 12, 9, 50) + timedelta(days=day)
        for k in range(4):
            name = sets[(k + day) % len(sets)]
            start = begin + timedelta(minutes=10 + 60 * k if k else 0)
            end = begin + timedelta(minutes=10 + 60 * (k + 1))
            doubt = "doubtful" if k == 2 else "certain"
            rows.append((start, end, name, "sail log", doubt, None))
    names = ["start", "end", "sail_set", "source", "quality", "reason"]
    return TABLES["segments"].conform(pl.DataFrame(rows, schema=names, orient="row", infer_schema_length=None))


def make_designed() -> pl.DataFrame:
    rings = {
        "J1": [(2, 30), (14, 30), (14, 88), (2, 88)],
        "J2": [(14, 30), (34, 30), (34, 88), (14, 88)],
        "G1": [(2, 88), (14, 88), (14, 180), (2, 180)],
        "G2+ST": [(14, 88), (34, 88), (34, 180), (14, 180)],
    }
    rows = [(name, 1, float(s), float(a)) for name, ring in rings.items() for s, a in ring]
    return pl.DataFrame(rows, schema=["sail_set", "part", "tws_kn", "twa_deg"], orient="row")


def make_residuals(days: int = 6) -> pl.DataFrame:
    """Day 3 stands out running, J2 has too few days for an interval."""
    rows: list[dict[str, object]] = []
    for d in range(days):
        for k, mode in enumerate(("upwind", "running")):
            middle = -4.2 if (d, mode) == (3, "running") else 0.3 * d - 0.8 * k
            rows.append(
                {"by": "day", "day": date(2027, 6, 12 + d), "mode": mode, "median_pct": middle, "odd": middle < -4}
            )
    for mode in ("upwind", "running"):
        rows += [
            {"by": "tack", "mode": mode, "tack": t, "median_pct": x} for t, x in (("port", 0.2), ("starboard", -0.2))
        ]
    rows += [{"by": "sail set", "sail_set": s, "median_pct": 0.1 * k} for k, s in enumerate(SETS)]
    rows += [{"by": "wind", "tws_from_kn": w, "tws_to_kn": w + 4.0, "median_pct": -0.3} for w in (8.0, 12.0, 16.0)]
    for r in rows:
        r |= {"windows": 30, "odd": r.get("odd", False)}
        middle = float(r["median_pct"])  # type: ignore[arg-type]
        few = r.get("sail_set") == "J2"
        r |= (
            dict.fromkeys(("low_pct", "high_pct", "effective_n"))
            if few
            else {"low_pct": middle - 0.5, "high_pct": middle + 0.7, "effective_n": 9.4}
        )
    return pl.DataFrame(rows, schema=SCHEMAS["residuals"])


def make_tack_differences(crossovers: pl.DataFrame) -> pl.DataFrame:
    """J1 and J2 cannot be told by tack; elsewhere the border lies 0.6 further on port."""
    told = crossovers.filter(~(pl.col("set_a").is_in(["J1", "J2"]) & pl.col("set_b").is_in(["J1", "J2"])))
    numbers = {"port_less_starboard": 0.6, "low": -0.2, "high": 1.4}
    numbers |= {f"{x}_{s}_pct": 0.5 for x in ("port_less_starboard", "low", "high") for s in "ab"}
    frame = told.with_columns(pl.lit(v).alias(k) for k, v in numbers.items()).with_columns(windows=pl.lit(80))
    return frame.select(pl.col(c).cast(t) for c, t in SCHEMAS["port_starboard"].items())


def make_influence(crossovers: pl.DataFrame, days: int = 6) -> pl.DataFrame:
    """Day 2 moves every border by 1.0, the others by 0.1; without it the one between G1 and G2+ST is gone."""
    parts = []
    for d in range(days):
        gone = pl.lit(d == 2) & pl.col("set_a").is_in(["G1", "G2+ST"]) & pl.col("set_b").is_in(["G1", "G2+ST"])
        shift = pl.when(gone).then(None).otherwise(pl.lit(1.0 if d == 2 else -0.1))
        parts.append(crossovers.with_columns(day=pl.lit(date(2027, 6, 12 + d)), windows=pl.lit(20), shift=shift))
    return pl.concat(parts).select(pl.col(c).cast(t) for c, t in SCHEMAS["border_influence"].items())


def make_check() -> pl.DataFrame:
    rows = [
        (kind, level, held, held - 0.12, min(1.0, held + 0.12), 60, 6, 1.8)
        for kind, shares in (("speed of a set", (0.55, 0.83, 0.92)), ("difference of two sets", (0.4, 0.6, 0.7)))
        for level, held in zip((0.5, 0.8, 0.9), shares, strict=True)
    ]
    return pl.DataFrame(rows, schema=SCHEMAS["interval_check"], orient="row")


def make_targets() -> pl.DataFrame:
    """Close-hauled J1 gives way to J2 at 14.3 kn; running G1 to G2+ST somewhere from 15 to 17 kn."""
    rows = []
    for w in range(10, 20):
        rows += [
            ("J1", float(w), "close-hauled", 45.0, 8.0, 6.0 + 0.1 * w),
            ("J2", float(w), "close-hauled", 44.0, 8.0, 4.57 + 0.2 * w),
        ]
        if w != 16:
            rows.append(("G1" if w <= 15 else "G2+ST", float(w), "running", 150.0, 9.0, 8.0))
    columns = ["sail_set", "tws_kn", "mode", "twa_deg", "bsp_kn", "vmg_kn"]
    frame = pl.DataFrame(rows, schema=columns, orient="row").with_columns(bsp_best_tenth_kn=pl.col("bsp_kn") * 1.02)
    return TABLES["targets"].conform(frame)


def make_tables() -> dict[str, pl.DataFrame]:
    surfaces = make_surfaces()
    best = make_best(surfaces)
    crossovers = make_crossovers(best)
    windows = make_windows()
    return {
        "files": TABLES["files"].conform(
            pl.DataFrame(
                {
                    "file": ["2027-06-12.nmea", "2027-06-13.csv"],
                    "sha256": ["ab" * 32, "cd" * 32],
                    "lines": [120000, 8000],
                    "used": [110000, 7990],
                    "passed_over": [9958, 5],
                    "rejected": [42, 5],
                }
            )
        ),
        "rejected": TABLES["rejected"].conform(
            pl.DataFrame(
                {
                    "file": ["2027-06-12.nmea"] * 60,
                    "line": list(range(100, 160)),
                    "reason": ["wrong checksum"] * 60,
                    "text": ["$WIMWV,0x3,R,<b>,N,A*00"] * 60,
                }
            )
        ),
        "flags": TABLES["flags"].conform(
            pl.DataFrame(
                {
                    "stage": ["windows"] * 4,
                    "reason": ["kept", "tack or gybe", "around a sail change", "wind unsteady"],
                    "kept": [True, False, False, False],
                    "count": [windows.height, 120, 44, 310],
                }
            )
        ),
        "segments": make_segments(),
        "windows": windows,
        "surfaces": surfaces,
        "best_set": best,
        "set_differences": make_differences(surfaces),
        "crossovers": crossovers,
        "design_comparison": make_comparison(crossovers),
        "targets": make_targets(),
        "residuals": make_residuals(),
        "port_starboard": make_tack_differences(crossovers),
        "border_influence": make_influence(crossovers),
        "interval_check": make_check(),
        "thresholds": pl.DataFrame(
            {
                "name": ["tws_sd_max_kn", "turn_max_deg"],
                "value": [1.8, 12.0],
                "unit": ["kn", "deg"],
                "why": ["twice the boat's median", "half of its smallest tack"],
            }
        ),
        "set_aside": pl.DataFrame(
            {
                "start": [datetime(2027, 6, 12, 10, 30)],
                "end": [datetime(2027, 6, 12, 10, 33)],
                "reason": ["around a sail change"],
            }
        ),
        **make_decisions(best),
    }


@pytest.fixture(scope="session")
def boat() -> Boat:
    return make_boat()


@pytest.fixture(scope="session")
def tables() -> dict[str, pl.DataFrame]:
    return make_tables()


@pytest.fixture(scope="session")
def designed() -> pl.DataFrame:
    return make_designed()


@pytest.fixture(scope="session")
def invented_speed_kn() -> Callable[[str, np.ndarray, np.ndarray], np.ndarray]:
    return speed_kn

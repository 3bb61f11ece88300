"""What is true of the invented yacht and season: for tests and curious readers, never an input."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from demo_maker.chart import CHART_TWS_KN, ORDER, border_curves, designed_curves, fine_speeds
from demo_maker.crews_papers import stamp
from demo_maker.log_writers import start_of
from demo_maker.sail_wardrobe import NAMED_SETS, RECUT_DATE, SETS
from demo_maker.sailing import Track
from demo_maker.season_plan import DAYS, Day
from demo_maker.speed_tables import RECUT_SET, belief, peak, solve_on
from demo_maker.weather import Weather

Floats = NDArray[np.float64]

GRID_TWS_KN = np.arange(4.0, 28.1, 1.0)
MADE_GOOD_TWS_KN = np.arange(4.0, 28.01, 0.5)
NARROW_TWA_DEG = np.arange(36.0, 62.01, 1.0)
BROAD_TWA_DEG = np.arange(122.0, 180.01, 1.0)
MOST_HEEL_DEG = 38.0
LEAST_DESIGNED = 0.75  # the designer gives no speed for a set slower than this share of the fastest
GRID_TWA_DEG = np.arange(35.0, 180.1, 5.0)


def speed_rows() -> list[str]:
    """True steady states on an ordinary day, by set; the recut sail's set twice, told apart by `from`."""
    rows = ["sail_set,from,until,tws_kn,twa_deg,bsp_kn,heel_deg,leeway_deg"]
    for name in SETS:
        states = [(False, "", RECUT_DATE), (True, RECUT_DATE, "")] if name == RECUT_SET else [(True, "", "")]
        for recut, since, until in states:
            s = solve_on(name, GRID_TWS_KN, GRID_TWA_DEG, recut)
            for i, w in enumerate(GRID_TWS_KN):
                for j, a in enumerate(GRID_TWA_DEG):
                    if s.bsp_kn[i, j] < 1.0 or s.heel_deg[i, j] > MOST_HEEL_DEG:
                        continue  # the set cannot be carried there
                    values = f"{s.bsp_kn[i, j]:.3f},{s.heel_deg[i, j]:.1f},{s.leeway_deg[i, j]:.2f}"
                    rows.append(f"{name},{since},{until},{w:.0f},{a:.0f},{values}")
    return rows


def designed_speed_rows() -> list[str]:
    """Rows of `designed_speeds.csv`: what the designer predicted, half a per cent bold everywhere."""
    rows = ["sail_set,tws_kn,twa_deg,bsp_kn"]
    tws, twa = np.arange(4.0, 26.1, 2.0), np.arange(40.0, 180.1, 10.0)
    speeds = {n: solve_on(n, tws, twa, recut=False).bsp_kn * belief(n, tws, twa) * 1.005 for n in NAMED_SETS}
    fastest = np.max(list(speeds.values()), axis=0)
    for name, bsp in speeds.items():
        worth = bsp >= LEAST_DESIGNED * fastest
        rows += [f"{name},{tws[i]:.0f},{twa[j]:.0f},{bsp[i, j]:.2f}" for i, j in np.argwhere(worth)]
    return rows


def border_rows() -> list[str]:
    """True borders in the columns of `crossovers`: both ways at fixed angle, close-hauled and running."""
    rows = ["set_a,set_b,mode,along,at,crossing"]
    names = list(SETS)
    fine_tws = np.arange(4.0, 28.01, 0.25)
    along_tws = np.stack([solve_on(n, fine_tws, GRID_TWA_DEG).bsp_kn for n in names])
    for j, a in enumerate(GRID_TWA_DEG):
        rows += [
            f"{x},{y},fixed-angle,tws_kn,{a:.0f},{c:.2f}" for x, y, c in _crossings(along_tws[:, :, j], fine_tws, names)
        ]
    fine_twa = np.arange(35.0, 180.01, 1.0)
    along_twa = np.stack([solve_on(n, GRID_TWS_KN, fine_twa).bsp_kn for n in names])
    for i, w in enumerate(GRID_TWS_KN):
        rows += [
            f"{x},{y},fixed-angle,twa_deg,{w:.0f},{c:.1f}"
            for x, y, c in _crossings(along_twa[:, i, :], fine_twa, names)
        ]
    for mode, up in (("close-hauled", True), ("running", False)):
        rows += [f"{x},{y},{mode},tws_kn,,{c:.2f}" for (x, y), c in _made_good(up, False, names).items()]
    return rows


def _crossings(speeds: Floats, along: Floats, names: list[str]) -> list[tuple[str, str, float]]:
    """Where the fastest set changes along the last axis of `speeds` (sets, along), straight between points."""
    out, best = [], speeds.argmax(axis=0)
    for k in np.flatnonzero(np.diff(best)):
        a, b = best[k], best[k + 1]
        d0, d1 = speeds[b, k] - speeds[a, k], speeds[b, k + 1] - speeds[a, k + 1]
        share = float(d0 / (d0 - d1)) if d0 != d1 else 0.5
        out.append((names[a], names[b], float(along[k] + share * (along[k + 1] - along[k]))))
    return out


def design_error_rows() -> list[str]:
    """Where the designed chart stands against the truth: every border of the chart, wind speed by wind speed."""
    rows = ["set_a,set_b,tws_kn,designed_twa_deg,true_twa_deg,shift_deg"]
    true, drawn = border_curves({n: fine_speeds()[n] for n in ORDER}), designed_curves()
    for i, w in enumerate(CHART_TWS_KN):
        actual = dict(_neighbours(true[i]))
        for (a, b), angle in _neighbours(drawn[i]):
            if (a, b) in actual:
                rows.append(f"{a},{b},{w:.0f},{angle:.0f},{actual[a, b]:.1f},{angle - actual[a, b]:.1f}")
    return rows


def _neighbours(curves_deg: Floats) -> list[tuple[tuple[str, str], float]]:
    """Pairs of sets that touch along the angle at one wind speed, and where."""
    present = [k for k in range(len(ORDER)) if curves_deg[k + 1] > curves_deg[k]]
    return [((ORDER[a], ORDER[b]), float(curves_deg[b])) for a, b in itertools.pairwise(present)]


def made_good_border_rows() -> list[str]:
    """Close-hauled and running borders as designed and as true (knots): the chart's errors where it matters."""
    rows = ["set_a,set_b,mode,designed_kn,true_kn,shift_kn"]
    for mode, up in (("close-hauled", True), ("running", False)):
        true, thought = _made_good(up, False), _made_good(up, True)
        for (a, b), crossing in thought.items():
            if (a, b) in true:
                rows.append(f"{a},{b},{mode},{crossing:.1f},{true[a, b]:.1f},{crossing - true[a, b]:.1f}")
    return rows


def _made_good(up: bool, believed: bool, names: Sequence[str] = NAMED_SETS) -> dict[tuple[str, str], float]:
    """Borders by velocity made good, each set at its own best angle: pairs and the wind speed of the crossing."""
    twa = NARROW_TWA_DEG if up else BROAD_TWA_DEG
    made = np.cos(np.radians(twa)) * (1.0 if up else -1.0)
    vmg = []
    for name in names:
        factor = belief(name, MADE_GOOD_TWS_KN, twa) if believed else 1.0
        vmg.append(peak(_made_good_speeds(name, up) * factor * made, twa)[1])
    return {(a, b): c for a, b, c in _crossings(np.stack(vmg), MADE_GOOD_TWS_KN, list(names))}


@lru_cache(maxsize=32)
def _made_good_speeds(name: str, up: bool) -> Floats:
    return solve_on(name, MADE_GOOD_TWS_KN, NARROW_TWA_DEG if up else BROAD_TWA_DEG).bsp_kn


def flown_rows(tracks: dict[str, Track], days: Sequence[Day] = DAYS) -> list[str]:
    """The sets that were really up: start, end, set."""
    rows = ["start,end,sail_set"]
    for day in days:
        track, start = tracks[day.date], start_of(day)
        edges = [0, *(np.flatnonzero(np.diff(track.set_index)) + 1).tolist(), track.set_index.size]
        for a, b in itertools.pairwise(edges):
            name = track.names[track.set_index[a]]
            rows.append(f"{stamp(start + timedelta(seconds=a))},{stamp(start + timedelta(seconds=b))},{name}")
    return rows


def day_rows(weathers: dict[str, Weather]) -> list[str]:
    """The days: speed against an ordinary day, the wind, the current."""
    rows = ["date,factor_close_hauled,factor_off_the_wind,tws_mean_kn,current_mean_kn,current_set_deg,logged_as"]
    for day in DAYS:
        w = weathers[day.date]
        rows.append(
            f"{day.date},{w.factor_up.mean():.4f},{w.factor_down.mean():.4f},{w.tws_kn.mean():.1f},"
            f"{w.current_kn.mean():.2f},{w.current_set_deg.mean():.0f},{_style(day)}"
        )
    return rows


def _style(day: Day) -> str:
    return {
        "nmea": "NMEA 0183",
        "nmea.gz": "NMEA 0183 gzip",
        "tag.gz": "NMEA 0183 with TAG blocks gzip",
        "rfc.gz": "NMEA 0183 behind RFC 3339 stamps gzip",
        "split.gz": "NMEA 0183 gzip in two files",
        "csv": "CSV",
        "csv.gz": "CSV gzip",
    }[day.style]

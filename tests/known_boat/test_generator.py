"""The generator of known boats, tried before it judges anybody: its physics, its files, its answers, its scores."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pynmea2
import pytest

from tests.known_boat.boats import ALL_BOATS, BOATS, make_boat
from tests.known_boat.crew_log import LEVELS, Entry, logged_timeline, write_up
from tests.known_boat.logs import designed_rings
from tests.known_boat.score import score
from tests.known_boat.season import Options, make_season, sail_season
from tests.known_boat.truth import Truth

SHORT = {"days": 3, "hours": 0.75}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("known") / "campaign"
    return folder, make_season(folder, 3, "staysail", slips="ordinary", csv_share=0.3, **SHORT)


# --- the boats ---


@pytest.mark.parametrize("kind", BOATS)
def test_speed_rises_with_wind_and_stays_sensible(kind: str) -> None:
    boat = make_boat(kind)
    tws, twa = np.meshgrid(np.arange(4.0, 31.0, 0.5), np.arange(30.0, 181.0, 2.5), indexing="ij")
    best = boat.speeds_kn(tws, twa).max(axis=0)
    assert np.isfinite(best).all()
    assert (np.diff(best, axis=0) > -0.02).all()
    assert (best < 2.0 * tws).all()  # of twice the wind's speed no monohull of these is meant to be capable
    assert best.max() < 32.0


@pytest.mark.parametrize("kind", BOATS)
def test_every_set_is_fastest_somewhere_or_nearly(kind: str) -> None:
    boat = make_boat(kind)
    tws, twa = np.meshgrid(np.arange(4.0, 31.0, 0.5), np.arange(32.0, 181.0, 2.5), indexing="ij")
    speeds = boat.speeds_kn(tws, twa)
    behind = (1.0 - speeds / speeds.max(axis=0)).min(axis=(1, 2))
    assert (behind < 0.015).all(), dict(zip(boat.set_names, behind.round(3), strict=True))


def test_the_maxi_outsails_the_wind_and_the_sportboat_planes() -> None:
    maxi, sportboat = make_boat("maxi"), make_boat("sportboat")
    assert maxi.speeds_kn(10.0, 100.0).max() > 12.0
    # more than twice the speed of a wave as long as her waterline, 1.34 kn per root foot (common practice, no source)
    assert sportboat.speeds_kn(22.0, 140.0).max() > 2.0 * 1.34 * np.sqrt(sportboat.lwl_m / 0.3048)


def test_the_boats_of_forces_have_a_hump_and_a_plane() -> None:
    """Knots a knot of wind: a light boat gains more past its hull speed than on the way there, a heavy one less."""
    gains = {}
    for kind in ("balance-8", "balance-16"):
        boat = make_boat(kind)
        best = boat.speeds_kn(np.arange(4.0, 28.1, 1.0), 140.0).max(axis=0)
        over_hull_speed = best > 1.34 * np.sqrt(boat.lwl_m / 0.3048)  # common practice, no source
        gains[kind] = np.diff(best)[over_hull_speed[1:]].max() / np.diff(best)[~over_hull_speed[1:]].mean()
    assert gains["balance-8"] > 1.2
    assert gains["balance-16"] < 1.0


def test_sisters_differ_and_are_remembered() -> None:
    a, b, again = make_boat("maxi", 1), make_boat("maxi", 2), make_boat("maxi", 1)
    assert a.speed_kn("A2", 14.0, 140.0) != b.speed_kn("A2", 14.0, 140.0)
    assert a.speed_kn("A2", 14.0, 140.0) == again.speed_kn("A2", 14.0, 140.0)
    with pytest.raises(ValueError, match="no known boat"):
        make_boat("raft")


# --- physics: the project's chain undoes what the sensors did ---


@pytest.mark.parametrize("kind", BOATS)
def test_without_noise_the_chain_gives_back_the_true_wind(kind: str, tmp_path: Path) -> None:
    from pipeline.campaign.campaign import read_campaign
    from pipeline.sailing.wind_of_samples import add_true_wind
    from tests.known_boat.logs import write_campaign

    options = Options(days=2, hours=0.7, noise=0.0, slips="none", calibration="known", damage=0.0)
    truth, measured = sail_season(7, kind, options)
    write_campaign(tmp_path / "campaign", truth, measured, options, np.random.default_rng(1))
    boat = read_campaign(tmp_path / "campaign").boat
    found = add_true_wind(pl.concat(measured), boat, truth.samples["sail_set"]).samples
    # amid a tack, course and heading may lie on different sides of the wind, and "to leeward" has no meaning
    twa, awa = truth.samples["twa_deg"], truth.samples["awa_deg"]
    clear = (twa.abs() < 172.0) & (awa.abs() > 3.0) & (twa.sign() == awa.sign()) & (truth.samples["bsp_kn"] > 1.0)
    assert clear.mean() > 0.9
    for channel in ("tws_kn", "bsp_kn", "aws_kn"):
        assert (found[channel] - truth.samples[channel]).filter(clear).abs().max() < 1e-6
    for channel in ("twa_deg", "twd_deg", "awa_deg", "ctw_deg"):
        gap = (found[channel] - truth.samples[channel] + 180.0) % 360.0 - 180.0
        assert gap.filter(clear).abs().max() < 1e-5


def test_apparent_wind_is_true_wind_and_motion_as_vectors() -> None:
    """By hand: the wind over the water at the sensor, plus the boat's own motion, compared in north and east."""
    options = Options(days=1, hours=0.5, noise=0.0, calibration="none", gusty=1.0)
    truth, measured = sail_season(5, "cruiser-racer", options)
    s = {c: truth.samples[c].to_numpy() for c in ("tws_kn", "twd_deg", "bsp_kn", "ctw_deg", "hdg_deg", "heel_deg")}
    aloft = s["tws_kn"] * np.log(truth.boat.sensor_height_m / 0.0002) / np.log(10.0 / 0.0002)
    wind, course = np.radians(s["twd_deg"]), np.radians(s["ctw_deg"])
    east = aloft * np.sin(wind) + s["bsp_kn"] * np.sin(course)
    north = aloft * np.cos(wind) + s["bsp_kn"] * np.cos(course)
    from_bow = np.arctan2(east, north) - np.radians(s["hdg_deg"])
    # the unit heels with the mast: what comes from abeam is short by cos(heel); no pitch without a sea
    ahead = np.hypot(east, north) * np.cos(from_bow) * np.cos(np.radians(truth.samples["pitch_deg"].to_numpy()))
    abeam = np.hypot(east, north) * np.sin(from_bow) * np.cos(np.radians(s["heel_deg"]))
    np.testing.assert_allclose(measured[0]["aws"].to_numpy(), np.hypot(ahead, abeam), atol=1e-9)
    shown = np.radians(measured[0]["awa"].to_numpy())
    np.testing.assert_allclose(np.cos(shown - np.arctan2(abeam, ahead)), 1.0, atol=1e-12)


def test_ground_track_is_water_track_and_current() -> None:
    truth, measured = sail_season(5, "sportboat", Options(days=1, hours=0.5, noise=0.0, tide_kn=1.2))
    t, m = truth.samples, measured[0]
    over_ground = m["sog"].to_numpy() * np.exp(1j * np.radians(m["cog"].to_numpy()))
    water = t["bsp_kn"].to_numpy() * np.exp(1j * np.radians(t["ctw_deg"].to_numpy()))
    current = t["current_north_kn"].to_numpy() + 1j * t["current_east_kn"].to_numpy()
    np.testing.assert_allclose(over_ground, water + current, atol=1e-9)
    assert np.abs(current).max() > 0.3


def test_heel_and_leeway_go_to_leeward() -> None:
    truth, _ = sail_season(6, "cruiser-racer", Options(days=2, hours=1.0, noise=0.0))
    upwind = truth.samples.filter(pl.col("twa_deg").abs().is_between(35, 70) & (pl.col("tws_kn") > 9))
    assert upwind.height > 300
    settled = upwind.filter(pl.col("heel_deg") * pl.col("twa_deg").sign() < 0)
    assert settled.height > 0.97 * upwind.height
    drift = (settled["hdg_deg"] - settled["ctw_deg"] + 180.0) % 360.0 - 180.0
    assert (drift * settled["twa_deg"].sign() > 0).all()


def test_mean_speed_is_the_surface_on_an_ordinary_day() -> None:
    """No day effects: away from manoeuvres the lag only delays, so the means of speed and surface agree."""
    options = Options(days=6, hours=3.0, noise=0.0, effects=0.0)
    truth, _ = sail_season(8, "cruiser-racer", options)
    s = truth.samples
    expected = np.empty(s.height)
    for name in truth.flown:
        here = (s["sail_set"] == name).to_numpy()
        expected[here] = truth.surface(name, s["tws_kn"].to_numpy()[here], s["twa_deg"].to_numpy()[here])
    upset = np.zeros(s.height, dtype=bool)
    seconds = s["time"].dt.epoch("s").to_numpy()
    for at in [*truth.manoeuvres["time"].to_list(), *truth.timeline["start"].to_list()]:
        upset |= np.abs(seconds - at.replace(tzinfo=UTC).timestamp()) < 120.0
    windows = pl.DataFrame({"bsp": s["bsp_kn"], "expected": expected, "five": seconds // 300, "upset": upset})
    calm = windows.group_by("five").agg(pl.col("upset").any(), pl.col("bsp").mean(), pl.col("expected").mean())
    ratio = calm.filter(~pl.col("upset")).select(pl.col("bsp") / pl.col("expected") - 1.0).to_series()
    assert ratio.len() > 20
    assert abs(ratio.median()) < 0.0005
    assert ratio.abs().max() < 0.03


def test_weed_slows_the_log_only_while_it_hangs_there() -> None:
    clean, weeded = (sail_season(9, "maxi", Options(days=2, hours=0.5, weed=n)) for n in (0, 2))
    assert weeded[0].faults.height == 2
    before, after = pl.concat(clean[1]), pl.concat(weeded[1])
    hung = pl.any_horizontal(pl.col("time").is_between(a, b) for a, b in weeded[0].faults.select("start", "end").rows())
    same = before["bsp"] == after["bsp"]
    assert (same == ~after.select(hung.alias("hung"))["hung"]).all()
    assert before.drop("bsp").equals(after.drop("bsp"))


# --- the answers ---


def test_borders_are_changes_of_sign_of_the_true_speed_differences(season: tuple[Path, Truth]) -> None:
    _, truth = season
    borders = truth.borders(truth.boat.set_names)
    assert borders.filter(pl.col("along") == "tws_kn").height > 20
    assert {"fixed-angle", "close-hauled", "running"} == set(borders["mode"])
    for a, b, mode, along, at, crossing in borders.rows():
        before, after = (_lead(truth, a, b, mode, along, at, crossing + step) for step in (-0.3, 0.3))
        assert before < 0 < after, (a, b, mode, along, at, crossing)


def _lead(truth: Truth, a: str, b: str, mode: str, along: str, at: float | None, where: float) -> float:
    """Log of set b's merit over set a's at one point, reckoned anew from the surfaces."""
    if mode == "fixed-angle":
        tws, twa = (where, at) if along == "tws_kn" else (at, where)
        merit = [float(truth.surface(s, tws, twa)) for s in (a, b)]
    else:
        twa = np.arange(20.0, 180.0, 0.1)
        made_good = [truth.surface(s, where, twa) * np.cos(np.radians(twa)) for s in (a, b)]
        merit = [float(v.max() if mode == "close-hauled" else -v.min()) for v in made_good]
    return float(np.log(merit[1] / merit[0]))


def test_the_designed_chart_is_the_designers_and_is_off_in_places(season: tuple[Path, Truth]) -> None:
    _, truth = season
    tws, twa = np.meshgrid(np.arange(5.25, 29.0, 1.0), np.arange(31.5, 178.0, 5.0), indexing="ij")
    inside = np.zeros(tws.shape)
    agrees = np.zeros(tws.shape, dtype=bool)
    leader = truth.designer.speeds_at(tws, twa).argmax(axis=-1)
    for name, rings in designed_rings(truth.designer).items():
        here = np.zeros(tws.shape, dtype=bool)
        for ring in rings:
            here ^= _contains(ring, tws, twa)
        inside += here
        agrees |= here & (leader == truth.boat.set_names.index(name))
    # thinning the rings leaves slivers beside borders, no more
    assert np.mean(inside == 1) > 0.93
    assert np.mean(agrees) > 0.95
    true = truth.surfaces(truth.boat.set_names, tws, twa).argmax(axis=0)
    assert 0.03 < np.mean(true != leader) < 0.6


def _contains(ring: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Even-odd rule, by the crossings of a ray along x."""
    inside = np.zeros(x.shape, dtype=bool)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        crosses = (y0 > y) != (y1 > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            inside ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


# --- the files ---


def test_the_same_seed_gives_the_same_bytes_and_another_does_not(tmp_path: Path) -> None:
    for name, seed in (("one", 4), ("two", 4), ("three", 5)):
        make_season(tmp_path / name, seed, "sportboat", days=2, hours=0.3, csv_share=0.5)
    contents = [
        {p.relative_to(f).as_posix(): p.read_bytes() for p in sorted(f.rglob("*")) if p.is_file()}
        for f in (tmp_path / "one", tmp_path / "two", tmp_path / "three")
    ]
    assert contents[0] == contents[1]
    assert contents[0] != contents[2]


@pytest.mark.parametrize("kind", BOATS)
def test_logs_are_read_by_an_independent_parser(kind: str, tmp_path: Path) -> None:
    truth = make_season(tmp_path / "c", 9, kind, days=1, hours=0.15, csv_share=0.0, damage=0.0, weed=0)
    (path,) = (tmp_path / "c" / "logs").iterdir()
    raw = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    lines = raw.decode("ascii").split("\r\n")[:-1]
    assert len(lines) == 6 * truth.samples.height
    speeds = []
    for line in lines:
        # raises on a wrong checksum
        message = pynmea2.parse(line[line.index("$") :], check=True)
        if message.sentence_type == "VHW":
            speeds.append(float(message.water_speed_knots))
    np.testing.assert_allclose(speeds, truth.samples["bsp_kn"].to_numpy(), atol=0.6)


def test_ten_hertz_and_slow_logs_keep_their_rate(tmp_path: Path) -> None:
    for name, rate in (("fast", 10.0), ("slow", 0.5)):
        make_season(tmp_path / name, 2, "sportboat", days=1, hours=0.05, rate_hz=rate, csv_share=0.0, damage=0.0)
        (path,) = (tmp_path / name / "logs").iterdir()
        raw = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
        assert raw.count(b"VHW,") == int(180 * rate)
        assert raw.count(b"$GPRMC") == int(180 * min(rate, 1.0))


@pytest.mark.parametrize("kind", ALL_BOATS)
def test_the_project_finds_nothing_wrong_with_a_campaign(kind: str, tmp_path: Path) -> None:
    from pipeline.campaign.campaign import check_campaign

    folder = tmp_path / "campaign"
    make_season(folder, 12, kind, days=2, hours=0.6, designed="both", recut=True, calibration="known", csv_share=0.5)
    assert [str(p) for p in check_campaign(folder) if p.fatal] == []


# --- the sail log ---


def test_a_log_without_slips_gives_back_the_time_line(tmp_path: Path) -> None:
    for kind in BOATS:
        truth, _ = sail_season(21, kind, Options(days=3, hours=1.0, slips="none"))
        entries = write_up(truth, "none", np.random.default_rng(0))
        assert _share_right(truth, entries) > 0.9995  # the moment itself, where a change falls between two seconds


def test_an_ordinary_log_leaves_98_per_cent_recoverable() -> None:
    """Ordinary slips cost no sensible reader more than 2 per cent of the time; sloppy ones do."""
    shares = {}
    for level in ("ordinary", "sloppy"):
        right = []
        for seed, kind in enumerate(BOATS):
            truth, _ = sail_season(30 + seed, kind, Options(days=8, hours=3.0, slips=level))
            right.append(_share_right(truth, write_up(truth, level, np.random.default_rng(seed))))
        shares[level] = float(np.mean(right))
    assert shares["ordinary"] > 0.98
    assert shares["sloppy"] < 0.95


def test_mislabelled_stretches_are_in_the_log_and_in_the_truth() -> None:
    truth, _ = sail_season(40, "cruiser-racer", Options(days=6, hours=2.0, slips="sloppy", mislabelled=3))
    assert truth.mislabelled.height >= 2
    line = logged_timeline(truth)
    for start, end, name, logged in truth.mislabelled.rows():
        assert name != logged
        assert end - start >= timedelta(minutes=10)
        assert line.filter((pl.col("start") <= start) & (pl.col("end") >= end))["sail_set"].to_list() == [logged]


def _share_right(truth: Truth, entries: list[Entry]) -> float:
    """Share of the samples whose set a plain reader of the log gets right; the reader is this test's own."""
    boat = truth.boat
    code_of = {a: s.code for s in boat.sails for a in (s.code, *s.aliases)}
    moments: dict[datetime, list[tuple[str, str]]] = {}
    for e in sorted(entries, key=lambda e: e.time):
        line = (e.action, e.sail)
        here = moments.setdefault(e.time, [])
        # a line written twice is one line, save where a second reef goes in
        if e.action in ("reef", "shake") or line not in here:
            here.append(line)
    names = {(frozenset(s.forward), s.reefs): s.name for s in boat.sets.values()}
    rows = []
    up: set[str] = set()
    reefs = 0
    for time in sorted(moments):
        # entries of one time act together: what goes up decides, so it comes last
        for action, sail in sorted(moments[time], key=lambda m: m[0] in ("hoist", "unfurl")):
            if action == "flying":
                up, reefs = set(sail.split()) - {"MN"}, 0
            elif action in ("reef", "shake"):
                reefs = max(reefs + (1 if action == "reef" else -1), 0)
            elif action in ("drop", "furl"):
                up.discard(code_of[sail])
            elif code_of[sail] != "MN":
                station = boat.sail(code_of[sail]).station
                up = {c for c in up if boat.sail(c).station != station} | {code_of[sail]}
        rows.append((time, names.get((frozenset(up), reefs), "another")))
    read = pl.DataFrame(rows, schema={"time": pl.Datetime("us"), "read": pl.String}, orient="row")
    both = truth.samples.select("time", "sail_set").join_asof(read, on="time")
    return float((both["read"] == both["sail_set"]).fill_null(False).mean())


def test_every_level_of_slips_writes_only_the_actions_of_the_format(season: tuple[Path, Truth]) -> None:
    _, truth = season
    for level in LEVELS:
        entries = write_up(truth, level, np.random.default_rng(1))
        assert {e.action for e in entries} <= {"hoist", "drop", "furl", "unfurl", "reef", "shake", "flying"}


# --- the scores ---


def test_the_truth_scores_full_marks_and_a_known_error_its_size(season: tuple[Path, Truth]) -> None:
    _, truth = season
    exact = score(_tables_of(truth, 1.0), truth)
    assert exact["minutes_tagged_right"] == 1.0
    assert exact["surface_rmse_pct"] < 1e-9
    assert exact["surface_coverage"] == 1.0
    assert exact["regret_ratio"] == 0.0
    assert exact["two_supported_share"] == pytest.approx(1.0)
    assert exact["clear_wrong"] == 0.0
    assert exact["border_error_kn"] < 0.01
    assert exact["border_coverage"] == 1.0
    assert exact["border_recall"] == 1.0
    off = score(_tables_of(truth, 1.02), truth)
    assert off["surface_rmse_pct"] == pytest.approx(2.0)
    assert off["surface_bias_pct"] == pytest.approx(2.0)
    assert off["surface_coverage"] == 0.0


def test_empty_tables_score_as_nothing_said(season: tuple[Path, Truth]) -> None:
    _, truth = season
    found = score({name: frame.clear() for name, frame in _tables_of(truth, 1.0).items()}, truth)
    assert found["minutes_tagged_right"] == 0.0
    assert found["surface_cells"] == 0.0
    assert found["two_supported_share"] == 0.0
    # a blank chart leaves the designed one
    assert found["regret_ratio"] == 1.0
    assert np.isnan(found["clear_wrong"]) and np.isnan(found["border_coverage"])


def test_a_chart_that_names_the_slowest_set_is_found_out(season: tuple[Path, Truth]) -> None:
    _, truth = season
    tables = _tables_of(truth, 1.0)
    names = truth.boat.set_names
    chart = tables["best_set"]
    speeds = truth.surfaces(names, chart["tws_kn"].to_numpy(), chart["twa_deg"].to_numpy())
    worst = [names[i] for i in speeds.argmin(axis=0)]
    found = score({**tables, "best_set": chart.with_columns(pl.Series("best_set", worst))}, truth)
    assert found["clear_wrong"] == 1.0
    assert found["regret_ratio"] > 3.0


def test_shifted_borders_score_their_shift(season: tuple[Path, Truth]) -> None:
    _, truth = season
    tables = _tables_of(truth, 1.0)
    moved = tables["crossovers"].with_columns(
        (pl.col(c) + pl.when(pl.col("along") == "tws_kn").then(0.8).otherwise(3.0)).alias(c)
        for c in ("crossing", "crossing_low", "crossing_high")
    )
    found = score({**tables, "crossovers": moved}, truth)
    assert found["border_error_kn"] == pytest.approx(0.8, abs=0.05)
    assert found["border_error_deg"] == pytest.approx(3.0, abs=0.2)
    assert found["border_coverage"] < 0.2


def _tables_of(truth: Truth, factor: float) -> dict[str, pl.DataFrame]:
    """What a run would write that knew the truth, its speeds wrong by a factor."""
    names = truth.boat.set_names
    tws, twa = (g.ravel() for g in np.meshgrid(np.arange(4.0, 31.0), np.arange(30.0, 181.0, 5.0), indexing="ij"))
    speeds = truth.surfaces(names, tws, twa)
    surfaces = pl.concat(
        pl.DataFrame({"tws_kn": tws, "twa_deg": twa, "bsp_kn": factor * v}).with_columns(
            pl.lit(name).alias("sail_set"),
            (pl.col("bsp_kn") * 0.99).alias("bsp_low_kn"),
            (pl.col("bsp_kn") * 1.01).alias("bsp_high_kn"),
            pl.lit(True).alias("supported"),
        )
        for name, v in zip(names, speeds, strict=True)
    )
    best = pl.DataFrame({"tws_kn": tws, "twa_deg": twa, "best_set": [names[i] for i in speeds.argmax(axis=0)]})
    width = pl.when(pl.col("along") == "tws_kn").then(0.4).otherwise(1.5)
    borders = truth.borders().with_columns(
        (pl.col("crossing") - width).alias("crossing_low"), (pl.col("crossing") + width).alias("crossing_high")
    )
    return {
        "segments": truth.timeline,
        "surfaces": surfaces,
        "best_set": best.with_columns(pl.lit("clear").alias("verdict")),
        "crossovers": borders,
    }

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.angles import difference
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.problems import UnusableInput
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.wind.apparent import to_sensor_plane, with_upwash
from pipeline.wind.height import at_height
from pipeline.wind.triangle import apparent_from_true

START = datetime(2027, 7, 1, 9)


def samples(n: int = 600, start: datetime = START, **channels: object) -> pl.DataFrame:
    time = pl.Series([start + timedelta(seconds=i) for i in range(n)], dtype=pl.Datetime("us"))
    columns = {
        k: pl.Series(np.broadcast_to(np.asarray(v, dtype=float), n), nan_to_null=True) for k, v in channels.items()
    }
    return pl.DataFrame({"time": time, **columns})


def boat(variation: object = None, calibration: Calibration | None = None, **corrections: float) -> Boat:
    calibration = calibration or Calibration(boat=Corrections(**corrections))
    return Boat("Invented", 12.0, Instruments(20.0, 10.0, variation), calibration=calibration)  # type: ignore[arg-type]


def sets(frame: pl.DataFrame, name: str | None = "J1") -> pl.Series:
    return pl.Series([name] * frame.height, dtype=pl.String)


def reasons(result: object) -> str:
    return " | ".join(result.flags["reason"].to_list())  # type: ignore[attr-defined]


@pytest.mark.parametrize("tack", [1.0, -1.0])
@pytest.mark.parametrize("twa_deg", [42.0, 100.0, 130.0, 165.0])
def test_every_correction_is_undone_in_order(tack: float, twa_deg: float) -> None:
    """From a true wind to what faulty, heeled sensors show of it, and back."""
    tws_10m, bsp, heel, hdg = 14.0, 8.0, -18.0 * tack, 100.0
    leeway = -tack * 8.0 * 18.0 / bsp**2 * np.clip((150 - twa_deg) / 60, 0, 1)
    awa, aws = apparent_from_true(tack * twa_deg, at_height(tws_10m, 10.0, 20.0), bsp, leeway)
    awa, aws = to_sensor_plane(awa, aws, heel, 2.0)
    awa = with_upwash(awa, 3.0)
    frame = samples(
        awa=awa - 1.5,
        aws=aws / 1.04,
        bsp=bsp / 1.02,
        heel=heel,
        pitch=2.0,
        hdg_mag=hdg - 4.5 - 2.0,  # offset 2, variation 4.5
    )
    corrections = {"awa_offset_deg": 1.5, "aws_factor": 1.04, "boat_speed_factor": 1.02, "heading_offset_deg": 2.0}
    out = add_true_wind(frame, boat(4.5, upwash_deg=3.0, **corrections), sets(frame)).samples.row(5, named=True)
    assert out["twa_deg"] == pytest.approx(tack * twa_deg, abs=1e-4)
    assert out["tws_kn"] == pytest.approx(tws_10m, abs=1e-4)
    assert out["leeway_deg"] == pytest.approx(leeway, abs=1e-4)
    assert out["bsp_kn"] == pytest.approx(bsp)
    assert float(difference(out["hdg_deg"], hdg)) == pytest.approx(0.0, abs=1e-9)
    assert float(difference(out["twd_deg"], hdg + leeway + tack * twa_deg)) == pytest.approx(0.0, abs=1e-4)


def test_corrections_by_period_and_set() -> None:
    frame = samples(4, awa=30.0, aws=12.0, bsp=6.0)
    later = frame["time"][2]
    calibration = Calibration(
        boat=Corrections(awa_offset_deg=1.0, leeway_coefficient=0.0),
        periods=((later, Corrections(awa_offset_deg=5.0)),),
        sets={"G2": Corrections(upwash_deg=2.0)},
    )
    names = pl.Series(["J1", "G2", "J1", "G2+R1"])
    awa = add_true_wind(frame, boat(None, calibration), names).samples["awa_deg"].to_numpy()
    upwash = [0.0, 2.0 * (120 - 31) / 90, 0.0, 2.0 * (120 - 35) / 90]
    np.testing.assert_allclose(awa, np.array([31.0, 31.0, 35.0, 35.0]) - upwash)


def test_without_heading_the_wind_still_comes_out() -> None:
    frame = samples(awa=30.0, aws=12.0, bsp=6.0)
    result = add_true_wind(frame, boat(), sets(frame))
    assert result.samples["twa_deg"].null_count() == 0
    assert result.samples["twd_deg"].null_count() == frame.height
    assert "without heading" in reasons(result)


def test_unknown_variation_says_what_to_set() -> None:
    frame = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0)
    result = add_true_wind(frame, boat(), sets(frame))
    assert result.samples["hdg_deg"].null_count() == frame.height
    assert "instruments.variation_deg" in reasons(result)


def test_logged_variation_wins_and_is_held() -> None:
    variation = np.full(600, np.nan)
    variation[50] = -3.0
    frame = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0, variation=variation)
    for given in (9.0, "auto", None):
        hdg = add_true_wind(frame, boat(given), sets(frame)).samples["hdg_deg"]
        assert hdg.unique().to_list() == [97.0]


def test_variation_of_courses_logged_both_ways() -> None:
    frame = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0, cog=316.0, cog_mag=301.0)
    assert add_true_wind(frame, boat(), sets(frame)).samples["hdg_deg"][0] == pytest.approx(115.0)
    # a display that does not know the variation prints the same course twice
    frame = frame.with_columns(cog_mag=pl.col("cog"))
    assert add_true_wind(frame, boat(), sets(frame)).samples["hdg_deg"].null_count() == frame.height


def test_variation_from_the_model_and_its_limits() -> None:
    frame = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0, lat=50.75, lon=-1.30, start=datetime(2026, 1, 1))
    hdg = add_true_wind(frame, boat("auto"), sets(frame)).samples["hdg_deg"]
    assert hdg[0] == pytest.approx(100.7507, abs=0.02)
    old = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0, lat=50.75, lon=-1.30, start=datetime(2008, 1, 1))
    with pytest.raises(UnusableInput, match=r"World Magnetic Model .* not for 2008.*give instruments.variation_deg"):
        add_true_wind(old, boat("auto"), sets(old))


def test_true_heading_with_gaps_does_not_take_turns_with_the_magnetic_one() -> None:
    true = np.full(600, 107.0)
    true[100:300] = np.nan
    frame = samples(awa=30.0, aws=12.0, bsp=6.0, hdg_mag=100.0, hdg_true=true)
    hdg = add_true_wind(frame, boat(2.0), sets(frame)).samples["hdg_deg"].to_numpy()
    np.testing.assert_allclose(hdg, 107.0)


def test_speed_over_ground_stands_in_only_for_a_silent_log() -> None:
    bsp = np.full(600, 6.0)
    bsp[100:130] = np.nan  # half a minute: a gap
    bsp[300:500] = np.nan  # minutes: silent
    frame = samples(awa=30.0, aws=12.0, bsp=bsp, sog=7.0)
    result = add_true_wind(frame, boat(), sets(frame))
    source = result.samples["speed_source"]
    assert source[:100].unique().to_list() == ["water"]
    assert source[100:130].null_count() == 30
    assert result.samples["tws_kn"][100:130].null_count() == 30
    assert source[300:500].unique().to_list() == ["ground"]
    assert result.samples["bsp_kn"][400] == 7.0
    assert "speed over ground used" in reasons(result)


def test_contrary_heel_is_found_and_turned() -> None:
    tack = np.where(np.arange(600) < 300, 1.0, -1.0)
    right = samples(awa=35.0 * tack, aws=15.0, bsp=7.0, heel=-17.0 * tack)
    wrong = samples(awa=35.0 * tack, aws=15.0, bsp=7.0, heel=17.0 * tack)
    expected, turned = (add_true_wind(f, boat(), sets(f)) for f in (right, wrong))
    for column in ("twa_deg", "tws_kn", "leeway_deg", "heel_deg"):
        np.testing.assert_allclose(turned.samples[column], expected.samples[column])
    assert "sign of heel is contrary" in reasons(turned)
    assert "contrary" not in reasons(expected)


def test_a_list_is_no_contrary_sign() -> None:
    tack = np.where(np.arange(600) < 300, 1.0, -1.0)
    frame = samples(
        awa=35.0 * tack, aws=15.0, bsp=7.0, heel=-6.0 * tack + 12.0
    )  # heels the right way about a wrong zero
    assert "contrary" not in reasons(add_true_wind(frame, boat(), sets(frame)))


def test_measured_leeway_wins() -> None:
    frame = samples(awa=35.0, aws=15.0, bsp=7.0, heel=-17.0, leeway=-5.0)
    assert add_true_wind(frame, boat(), sets(frame)).samples["leeway_deg"].unique().to_list() == [-5.0]


def test_a_vane_without_wind_gives_no_angle() -> None:
    frame = samples(awa=77.0, aws=0.0, bsp=5.0)
    result = add_true_wind(frame, boat(), sets(frame))
    assert result.samples["tws_kn"].null_count() == frame.height
    assert "apparent wind without direction" in reasons(result)


def test_missing_heel_is_counted() -> None:
    heel = np.full(600, -10.0)
    heel[:60] = np.nan
    frame = samples(awa=35.0, aws=15.0, bsp=7.0, heel=heel)
    flags = add_true_wind(frame, boat(), sets(frame)).flags
    assert flags.filter(pl.col("reason").str.contains("not de-heeled"))["count"].to_list() == [60]


def test_empty_season() -> None:
    frame = samples(0, awa=1.0, aws=1.0, bsp=1.0)
    assert add_true_wind(frame, boat(1.0), sets(frame)).samples.height == 0

import numpy as np
import pytest

from pipeline.wind.variation import OutOfModel, variation_along_track, variation_deg


def test_date_beyond_the_model_is_a_sentence() -> None:
    for year in (2008.5, 2030.0):
        with pytest.raises(OutOfModel, match="holds from 2010 to 2030, not for"):
            variation_deg(50.0, -1.0, year)
        with pytest.raises(OutOfModel):
            variation_along_track([50.0], [-1.0], [year])


def test_track_agrees_with_single_values_within_its_cells() -> None:
    rng = np.random.default_rng(5)
    # the waters that yachts race in; nearer to a magnetic pole variation turns within a few miles
    lat, lon, year = rng.uniform(-50, 60, 60), rng.uniform(-180, 180, 60), rng.uniform(2020, 2029.9, 60)
    single = [variation_deg(*p) for p in zip(lat, lon, year, strict=True)]
    assert np.abs(variation_along_track(lat, lon, year) - single).max() < 0.03


def test_missing_stays_missing_and_edges_hold() -> None:
    out = variation_along_track([np.nan, 50.75, 90.0], [1.0, np.nan, 180.0], 2025.0)
    assert np.isnan(out[:2]).all()
    assert np.isfinite(out[2])


def test_edition_goes_by_the_date() -> None:
    # at the change of editions the models differ a little, but by less than their stated error
    before, after = variation_deg(50.75, -1.3, 2024.9999), variation_deg(50.75, -1.3, 2025.0)
    assert 0 < abs(before - after) < 0.3

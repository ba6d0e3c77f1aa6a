"""The onset day against an independent library.

xclim, ``degree_days_exceedance_date``: the first day, after a date, on which the sum of daily means
over a base is past a threshold.
"""

import warnings

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import allergen
from models.season import season_onsets


@pytest.mark.parametrize("identity", ["birch", "ash"])
def test_the_onset_of_a_heat_sum_is_that_of_xclim(weather, identity):
    """Twenty-one invented years of two regions: the same day of the year, every year."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from xclim import indices
    tree = allergen(identity)
    assert tree.text("heat_method") == "mean"
    tas = weather["tas"].assign_attrs(units="degC").sel(time=slice("2001-01-01", "2019-12-31"))
    theirs = indices.degree_days_exceedance_date(
        tas,
        thresh=f"{tree.number('base')} degC",
        sum_thresh=f"{tree.number('onset_sum')} K days",
        op=">",
        after_date=tree.text("start"),
        freq="YS",
    ).transpose("region", "time")
    ours = season_onsets(weather.sel(time=tas["time"]), [tree])[identity]
    new_year = pd.date_range("2001-01-01", "2019-01-01", freq="YS")
    first = (new_year - new_year[0]).days.to_numpy()
    day = np.floor(ours.values) - first + 1  # position 0 is the beginning of the first day
    assert isinstance(theirs, xr.DataArray)
    assert np.isfinite(day).all()
    np.testing.assert_array_equal(day, theirs.values)

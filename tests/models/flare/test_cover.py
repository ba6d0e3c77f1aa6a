import numpy as np
import pytest
import xarray as xr

from models.flare.cover import efficacy_draws, efficacy_mean, thin, visible_share
from models.parameters import load_table
from models.streams import DrawStreams


def test_the_efficacy_prior_has_the_mean_and_spread_of_the_table():
    """The beta draws return the table's two numbers."""
    table = load_table("models.flare", "flare.toml")
    draws = efficacy_draws(DrawStreams([1], 20_000, []))
    assert draws.mean() == pytest.approx(table.number("cover.efficacy_mean"), abs=0.006)
    assert draws.std() == pytest.approx(table.number("cover.efficacy_sd"), abs=0.006)


def test_thinning_takes_away_what_cover_prevents():
    """Half the dogs covered: visits are pressure times one minus half the efficacy, on average."""
    pressure = np.full((4000, 2, 3), 40)
    visits = thin(pressure, np.full((2, 3), 0.5), streams=DrawStreams([2], 4000, ["a", "b"]))
    assert visits.mean() == pytest.approx(40 * (1 - 0.5 * efficacy_mean()), rel=0.02)
    assert (visits <= pressure).all()


def test_cover_not_known_changes_nothing():
    """A share that is not known neither thins the pressure nor lifts the visits seen."""
    pressure, unknown = np.full((10, 1, 2), 7), np.full((1, 2), np.nan)
    assert (thin(pressure, unknown, streams=DrawStreams([3], 10, ["a"])) == 7).all()
    assert float(visible_share(xr.DataArray([np.nan]))[0]) == 1

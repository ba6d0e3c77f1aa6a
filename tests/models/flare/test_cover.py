import numpy as np
import pytest
import xarray as xr

from models.flare.cover import efficacy_draws, efficacy_mean, thin, visible_share
from models.parameters import load_table


def test_the_efficacy_prior_has_the_mean_and_spread_of_the_table():
    """The beta draws return the table's two numbers."""
    table = load_table("models.flare", "flare.toml")
    draws = efficacy_draws(200_000, np.random.default_rng(0))
    assert draws.mean() == pytest.approx(table.number("cover.efficacy_mean"), abs=0.002)
    assert draws.std() == pytest.approx(table.number("cover.efficacy_sd"), abs=0.002)


def test_thinning_takes_away_what_cover_prevents():
    """Half the dogs covered: visits are pressure times one minus half the efficacy, on average."""
    pressure = np.full((4000, 2, 3), 40)
    visits = thin(pressure, np.full((2, 3), 0.5), np.random.default_rng(1))
    assert visits.mean() == pytest.approx(40 * (1 - 0.5 * efficacy_mean()), rel=0.02)
    assert (visits <= pressure).all()


def test_cover_not_known_changes_nothing():
    """A share that is not known neither thins the pressure nor lifts the visits seen."""
    pressure = np.full((10, 1, 2), 7)
    assert (thin(pressure, np.full((1, 2), np.nan), np.random.default_rng(0)) == 7).all()
    assert float(visible_share(xr.DataArray([np.nan]))[0]) == 1

"""What a practice's flare visits follow, and one dog's: the case-crossover on its records.

It takes the weather that a model was learnt from, so it stands beside issuing and is worked out by
a job, not by a page. What it says is of populations: never in a letter to an owner, no basis of a
diagnosis or of an immunotherapy recipe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import xarray as xr

from forecast.cut import Known
from forecast.training import TrainedModel, driver_history
from forecast.visits.counting.flare_days import FlareDays
from models.culprits import Culprits, DogOdds, culprits, dog_odds, risk_sets
from models.culprits.lags import daily


def exposure_departures(model: TrainedModel, known: Known) -> xr.DataArray:
    """Return how far weather and exposure were from usual, on every known day.

    Dims `(driver, region, time)`, in standard deviations. Weekly values stand on each of their
    days, since exposure is modelled by the week.
    """
    return daily(model.normals.departures(driver_history(model, known)))


def practice_culprits(
    days: FlareDays, departures: xr.DataArray, *, seed: int, permutations: int | None = None
) -> Culprits:
    """Say what the practice's flare visits follow beyond the season.

    Parameters
    ----------
    days
        Flare visits, and when else they might have come.
    departures
        What `exposure_departures` returns.
    seed, permutations
        Of the random orders of years; as many as the table says unless given.
    """
    sets = risk_sets(days.flares, _opened(days, departures), not_at_risk=days.not_at_risk)
    return culprits(sets, departures, seed=seed, permutations=permutations)


def dogs_culprits(
    days: FlareDays, departures: xr.DataArray, *, practice: Culprits, dogs: Iterable[str]
) -> Mapping[str, list[DogOdds]]:
    """Return dogs' odds, drawn to their practice's; its own values for dogs of few episodes."""
    opened = _opened(days, departures)
    return {
        dog: dog_odds(
            risk_sets(days.of_dog(dog), opened, not_at_risk=days.not_at_risk),
            departures,
            practice=practice,
        )
        for dog in dogs
    }


def _opened(days: FlareDays, departures: xr.DataArray) -> xr.DataArray:
    """Return the open days of the regions whose exposure is known."""
    held = set(departures["region"].values)
    return days.is_open.sel(region=[r for r in days.is_open["region"].values if r in held])

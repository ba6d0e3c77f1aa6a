"""What a practice's flare visits follow, and one dog's: the case-crossover on its records.

It takes the weather that a model was learnt from, so it stands beside issuing and is worked out by
a job, not by a page. What it says is of populations: never in a letter to an owner, no basis of a
diagnosis or of an immunotherapy recipe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import xarray as xr

from forecast.cut import Known
from forecast.records.culprit_results import add_result, newest_result
from forecast.records.engine import Records
from forecast.training import TrainedModel, driver_history
from forecast.visits.counting.flare_days import FlareDays
from models.culprits import Culprits, DogOdds, culprits, dog_odds, risk_sets
from models.culprits.lags import daily

CAUTION = (
    "Of the practice's dogs together: no diagnosis of any dog, no basis of an immunotherapy "
    "recipe, not for letters to owners. Exposure is modelled, no pollen was measured."
)


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


# ------------------------------------------------------------------------------ what is kept of it
@dataclass(frozen=True)
class KeptOdds:
    """A driver at one lag, as it is kept; a number that is not known is None.

    Attributes
    ----------
    first, last
        Days before the itch began.
    """

    driver: str
    first: int
    last: int
    odds_ratio: float | None
    low: float | None
    high: float | None
    p_value: float | None
    q_value: float | None
    verdict: str


@dataclass(frozen=True)
class KeptCulprits:
    """What flare visits were found to follow, and when.

    Attributes
    ----------
    issue_id
        The issue on whose weather and exposure it rests.
    is_known
        Whether an effect could be told from chance at all.
    dogs
        How many dogs the flare visits were of.
    given, used, covered, alone, years
        As in `models.culprits.Culprits`.
    """

    made_at: datetime
    issue_id: str
    sentence: str
    is_known: bool
    odds: tuple[KeptOdds, ...]
    dogs: int
    given: int
    used: int
    covered: int
    alone: int
    years: int


def keep_culprits(
    records: Records, told: Culprits, *, dogs: int, issue_id: str, made_at: datetime
) -> None:
    """Keep what was worked out; it holds no dog's id."""
    odds = [
        {
            **{"driver": one.driver, "first": one.window[0], "last": one.window[1]},
            **{"odds_ratio": _kept(one.odds_ratio), "low": _kept(one.low), "high": _kept(one.high)},
            **{"p_value": _kept(one.p_value), "q_value": _kept(one.q_value)},
            "verdict": one.verdict,
        }
        for one in told.odds
    ]
    counts = {name: getattr(told, name) for name in ("given", "used", "covered", "alone", "years")}
    is_known = bool(told.odds) and bool(np.isfinite(told.p_value))
    result: dict[str, Any] = {"sentence": told.sentence, "is_known": is_known, "odds": odds}
    add_result(records, result | counts | {"dogs": dogs}, issue_id=issue_id, made_at=made_at)


def kept_culprits(records: Records) -> KeptCulprits | None:
    """Return what was worked out last; None where it never was."""
    held = newest_result(records)
    if held is None:
        return None
    made_at, issue_id, result = held
    odds = tuple(KeptOdds(**row) for row in result["odds"])
    return KeptCulprits(made_at=made_at, issue_id=issue_id, **(dict(result) | {"odds": odds}))


def _kept(number: float) -> float | None:
    return float(number) if np.isfinite(number) else None

"""What is looked at anew once a year: what enters, how counts move, how wide forecasts should be.

Whether exposure enters, the parameters of the state spaces and the spread of forecasts are learnt
from whole seasons, of which a practice has few; looked at every week they would flicker. The review
rests on weeks before the *review day*, New Year, and stands for the year: a model learnt anew
within it keeps the review of the first. So the review of an origin hangs on its year alone, and a
backtest takes it as it would have been.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.flare.count_forecaster import is_long
from models.flare.exposure_decision import NOT_YET_KNOWN, ExposureDecision, decide_on_exposure
from models.flare.forecaster import (
    NOT_FOUND,
    StateSets,
    TooFewVisitsError,
    VisitForecaster,
    check_length,
    counted,
)
from models.flare.recalibration import Recalibration, best_factor, other_years
from models.parameters import load_table
from models.streams import DrawStreams

Array = NDArray[np.float64]
_SEED = 1  # of the looks back: a review must not hang on a forecast's seed


@dataclass(frozen=True)
class YearlyReview:
    """What was looked at, and when.

    Attributes
    ----------
    reviewed
        The review day: weeks that ended before it counted.
    decided_at
        The origin of the model that it was made for.
    drivers
        All drivers that could enter.
    exposure
        Whether exposure enters; None where no allergen is listed.
    recalibration
        How wide forecasts should be.
    state_sets
        What the state spaces follow counts with; None of a past too short for them.
    """

    reviewed: date
    decided_at: date
    drivers: tuple[str, ...]
    exposure: ExposureDecision | None
    recalibration: Recalibration
    state_sets: StateSets = NOT_FOUND

    @property
    def entering(self) -> tuple[str, ...]:
        """The drivers that enter the forecast."""
        return self.drivers if self.exposure is None else self.exposure.drivers(self.drivers)

    def stands_at(self, origin: date, drivers: Sequence[str]) -> bool:
        """Say whether a model of these drivers, learnt at an origin, keeps this review.

        One of too few seasons does not stand: counts of earlier years may have come in since.
        """
        return (
            self.reviewed == review_day(origin)
            and self.decided_at < origin
            and self.drivers == tuple(drivers)
            and (self.exposure is None or self.exposure.verdict != NOT_YET_KNOWN)
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the review as plain values."""
        return {
            "reviewed": self.reviewed.isoformat(),
            "decided_at": self.decided_at.isoformat(),
            "drivers": list(self.drivers),
            "exposure": None if self.exposure is None else self.exposure.to_dict(),
            "recalibration": self.recalibration._asdict(),
            "state_sets": self.state_sets._asdict(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Self:
        """Make a review from what `to_dict` returned."""
        exposure = stored["exposure"]
        return cls(
            date.fromisoformat(stored["reviewed"]),
            date.fromisoformat(stored["decided_at"]),
            tuple(stored["drivers"]),
            None if exposure is None else ExposureDecision.from_dict(exposure),
            Recalibration(**stored["recalibration"]),
            _as_state_sets(stored.get("state_sets")),
        )


def _as_state_sets(stored: Mapping[str, list[list[float]] | None] | None) -> StateSets:
    """Return sets from plain values; reviews made before there were any hold none."""
    if stored is None:
        return NOT_FOUND
    held = (stored[name] for name in StateSets._fields)
    return StateSets(*(sets if sets is None else tuple(map(tuple, sets)) for sets in held))


def review_day(origin: date) -> date:
    """Return the review day of an origin: weeks that ended before it are looked at."""
    return date(origin.year, 1, 1)


def seasons_needed() -> int:
    """Return how many seasons must be foretold before anything is decided by them."""
    return int(load_table("models.flare", "flare.toml").number("decision.seasons"))


def review(weekly: xr.Dataset, anomalies: xr.DataArray, *, origin: date) -> YearlyReview:
    """Make the review that a forecast from an origin rests on.

    Parameters
    ----------
    weekly
        What `VisitForecaster.fit` takes; weeks from the review day on are not looked at.
    anomalies
        Drivers, dims ``(driver, region, week)``; the longer they reach back, the better.
    origin
        Origin of the model.
    """
    day = np.datetime64(review_day(origin))
    ended = weekly["week"].values.astype("datetime64[D]") + np.timedelta64(7, "D") <= day
    before = weekly.isel(week=ended)
    one = counted(before)
    exposure = decide_on_exposure(one.visits, one.offset, anomalies, full=one.full)
    drivers = tuple(str(d) for d in anomalies["driver"].values)
    entering = drivers if exposure is None else exposure.drivers(drivers)
    found = recalibrate(before, anomalies, drivers=entering)
    sets = _state_sets(before, anomalies, entering)
    return YearlyReview(review_day(origin), origin, drivers, exposure, found, sets)


def _state_sets(weekly: xr.Dataset, anomalies: xr.DataArray, drivers: tuple[str, ...]) -> StateSets:
    """Return what the state spaces of a model of these weeks follow counts with."""
    try:
        return VisitForecaster(drivers).fit(weekly, anomalies).state_sets_
    except TooFewVisitsError:
        return NOT_FOUND


def recalibrate(
    weekly: xr.Dataset, anomalies: xr.DataArray, *, drivers: tuple[str, ...]
) -> Recalibration:
    """Learn how wide forecasts should have been, from all seasons of the counts but the first."""
    table = load_table("models.flare", "flare.toml")
    starts = _starts(weekly)
    seasons = int(len(starts) * table.number("recalibration.weeks") // 52)
    if seasons < seasons_needed():
        return Recalibration(seasons=seasons)
    # each look back is made by the members that a forecast of today asks
    one = counted(weekly)
    least_weeks = 0.0 if is_long(one.visits, one.offset) else None
    looks: list[_Look] = []
    for number, start in enumerate(starts):
        # as in use, a year's forecasts follow counts with what was learnt before it
        sets = looks[-1].state_sets if number % 2 else NOT_FOUND
        engine = VisitForecaster(drivers, least_weeks=least_weeks, state_sets=sets)
        looks.append(_look_back(engine, weekly, anomalies, start))
    return Recalibration(
        best_factor([look.visits for look in looks], seasons=seasons),
        best_factor([look.consultations for look in looks], seasons=seasons),
        seasons,
    )


@dataclass(frozen=True)
class _Look:
    """Square roots of what was drawn and of what came, from one past origin; the sets behind."""

    visits: tuple[Array, Array]
    consultations: tuple[Array, Array]
    state_sets: StateSets


def _starts(weekly: xr.Dataset) -> list[int]:
    """Return the first weeks of the half years, back from the last, that have enough before."""
    ahead = int(load_table("models.flare", "flare.toml").number("recalibration.weeks"))
    n_weeks = weekly.sizes["week"]
    found = []
    for start in range(n_weeks % ahead, n_weeks, ahead):
        try:
            check_length(weekly.isel(week=slice(start)))
        except TooFewVisitsError:
            continue
        found.append(start)
    return found


def _look_back(
    engine: VisitForecaster, weekly: xr.Dataset, anomalies: xr.DataArray, start: int
) -> _Look:
    """Foretell a half year of the counts from the weeks before it."""
    table = load_table("models.flare", "flare.toml")
    ahead, n_draws = (int(table.number(f"recalibration.{k}")) for k in ("weeks", "draws"))
    past, came = weekly.isel(week=slice(start)), weekly.isel(week=slice(start, start + ahead))
    fitted = engine.fit(past, anomalies)
    futures = other_years(anomalies, came["week"].values, n_draws=n_draws)
    names = [str(r) for r in weekly["region"].values]
    drawn = fitted.draw(futures, streams=DrawStreams([_SEED, start], n_draws, names))
    seen = counted(came)
    # what came of a full week, or of one that has not all come in, is not what would have
    whole = came["consultations"].notnull()
    whole = whole if seen.full is None else whole & ~seen.full
    return _Look(
        (np.sqrt(drawn.visits.values), _root(seen.visits.where(whole))),
        (np.sqrt(drawn.consultations.values), _root(seen.volume.where(whole))),
        fitted.state_sets_,
    )


def _root(counts: xr.DataArray) -> Array:
    root: Array = np.sqrt(counts.transpose("region", "week").values.astype(float))
    return root

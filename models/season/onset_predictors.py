r"""What a season's weather says of its flowering date: the predictors of the regression.

* the day on which each kept parameter set of the families (:mod:`models.season.families`) flowers;
* the mean of tasmin and of tasmax in 30-day windows counted back from the mean date;
* the distance from the equator.

Days of sets carry thresholds, chill and day length; windows catch what they leave. Each kind has
its own prior variance (``season.toml``), shared by its members.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.families import ParameterSets, SeasonDays, flowering_days

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class OnsetPredictors:
    """How predictors are worked out.

    Attributes
    ----------
    sets
        Kept parameter sets, fitted.
    end
        Day at which the last window ends: the weather must be known up to it [d].
    """

    sets: ParameterSets
    end: int

    def of(self, days: SeasonDays, latitude: _Array) -> tuple[_Array, _Array]:
        """Return the predictors of seasons, and the share of sets that flower at all.

        Parameters
        ----------
        days
            Seasons.
        latitude
            Of their places [degree].

        Returns
        -------
        predictors
            Dims (season, predictor). A set that does not flower counts with the season's last day.
        met
            By season [1].
        """
        found = flowering_days(self.sets, days)
        met = 1.0 - np.isnan(found).mean(axis=0)
        found = np.nan_to_num(found, nan=days.tasmin.shape[1] - 0.5)
        width, count = self._windows()
        stops = [self.end - width * number for number in range(count)]
        windows = [
            field[:, stop - width : stop].mean(axis=1)
            for field in (days.tasmin, days.tasmax)
            for stop in stops
        ]
        return np.column_stack([found.T, *windows, np.abs(latitude)]), met

    @property
    def shares(self) -> _Array:
        """Prior variance of each predictor's effect over that of the noise."""
        table = load_table("models.season", "season.toml")
        sets, windows, latitude = (
            table.number(f"onset.regression.{n}") for n in ("sets", "windows", "latitude")
        )
        n_sets, n_windows = len(self.sets), 2 * self._windows()[1]
        return np.concatenate(
            [
                np.full(n_sets, sets / max(n_sets, 1)),
                np.full(n_windows, windows / max(n_windows, 1)),
                [latitude],
            ]
        )

    def _windows(self) -> tuple[int, int]:
        table = load_table("models.season", "season.toml")
        width = int(table.number("onset.regression.window"))
        return width, min(int(table.number("onset.regression.window_count")), self.end // width)

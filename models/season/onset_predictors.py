r"""What a season's weather says of its flowering date: the predictors of the regression.

* the day on which each kept parameter set of the families (:mod:`models.season.families`) flowers;
* the mean of tasmin and of tasmax in 30-day windows counted back from the mean date;
* the distance from the equator.

Days of sets carry thresholds, chill and day length; windows catch what they leave. Each kind has
its own prior variance (``season.toml``), shared by its members.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.families import Continuation, ParameterSets, SeasonDays, flowering_days

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

    def of(
        self, days: SeasonDays, latitude: _Array, continued: Continuation | None = None
    ) -> tuple[_Array, _Array]:
        """Return the predictors of seasons, and the share of sets that flower at all.

        Parameters
        ----------
        days
            Seasons.
        latitude
            Of the places of those asked for [degree].
        continued
            Which of them are asked for, and how they go on; None for every season as it is.

        Returns
        -------
        predictors
            Dims (season, trace, predictor), without trace where nothing is continued. A set far
            from the others' median, or that does not flower at all where others do, is drawn in:
            one set's chill that is not met must not move the date by weeks.
        met
            Same dims without the last [1].
        """
        found = flowering_days(self.sets, days, continued)
        met = 1.0 - np.isnan(found).mean(axis=0)
        found = _drawn_in(found, days.tasmin.shape[1] - 0.5)
        how = Continuation.none(days) if continued is None else continued
        windows = [w.reshape(met.shape) for w in self._windows(days, how)]
        away = np.abs(latitude)
        if continued is not None:
            away = np.repeat(away[:, None], met.shape[1], axis=1)
        return np.stack([*found, *windows, away], axis=-1), met

    def _windows(self, days: SeasonDays, how: Continuation) -> Iterator[_Array]:
        """Yield the warmth of each window, the known part a season's own, the rest its lenders'."""
        width, count = self._window_size()
        stops = [self.end - width * number for number in range(count)]
        warmer, fading = (np.append(0.0, np.cumsum(a)) for a in (how.warmer, how.fading))
        for field in (days.tasmin, days.tasmax):
            summed = np.zeros((len(field), field.shape[1] + 1))
            np.cumsum(np.nan_to_num(field), axis=1, out=summed[:, 1:])
            for stop in stops:
                turn = np.clip(how.known, stop - width, stop)
                own = summed[how.own, turn] - summed[how.own, stop - width]
                lent = summed[how.lenders, stop] - summed[how.lenders, turn[:, None]]
                moved = how.years * (warmer[stop] - warmer[turn])[:, None]
                moved += how.excess * (fading[stop] - fading[turn])[:, None]
                yield (own[:, None] + lent + moved) / width

    @property
    def shares(self) -> _Array:
        """Prior variance of each predictor's effect over that of the noise."""
        table = load_table("models.season", "season.toml")
        sets, windows, latitude = (
            table.number(f"onset.regression.{n}") for n in ("sets", "windows", "latitude")
        )
        n_sets, n_windows = len(self.sets), 2 * self._window_size()[1]
        return np.concatenate(
            [
                np.full(n_sets, sets / max(n_sets, 1)),
                np.full(n_windows, windows / max(n_windows, 1)),
                [latitude],
            ]
        )

    def _window_size(self) -> tuple[int, int]:
        table = load_table("models.season", "season.toml")
        width = int(table.number("onset.regression.window"))
        return width, min(int(table.number("onset.regression.window_count")), self.end // width)


def _drawn_in(found: _Array, last: float) -> _Array:
    """Draw days of sets in to the median of those that flower; the last day where none does."""
    most = load_table("models.season", "season.toml").number("onset.regression.most_apart")
    none = np.isnan(found).all(axis=0)
    middle = np.where(none, last, np.nanmedian(np.where(none, last, found), axis=0))
    held = np.where(np.isnan(found), middle, found)
    return np.asarray(np.clip(held, middle - most, middle + most))

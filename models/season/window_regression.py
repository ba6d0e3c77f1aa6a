r"""Ridge regression of the flowering date on the warmth of the months before it.

The plainest statistical model of a flowering date: how warm was each of the months before the
usual date, and how far north is the place,

.. math:: y = \bar y + \sum_j \beta_j (x_j - \bar x_j) / s_j ,

with :math:`x_j` the mean of tasmax in the j-th window counted back from the mean date, and latitude
as the last feature; coefficients by ridge regression. It errs otherwise than a heat sum does (it
knows no threshold, and does not extrapolate a warmer spring as steeply), which is why the two are
averaged.

Validity: dates within a month or so of the mean date. In a spring far outside training it returns
too little of the shift; alone its error was 3 to 25 % larger than that of the forcing model.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table

_Array = NDArray[np.float64]


class WindowRegression:
    """Ridge regression on windows of tasmax counted back from the mean date, and latitude.

    Attributes
    ----------
    end_ : int
        Day at which the last window ends: the weather must be known up to it [d].
    mean_, centre_, spread_, coefficients_
        The fitted mean date, and mean, standard deviation and coefficient of each feature.
    """

    def fit(self, tasmax: _Array, latitude: _Array, day: _Array) -> WindowRegression:
        """Fit to tasmax, dims (observation, day) [degC], latitudes [degree] and dates [d]."""
        self.end_ = int(day.mean())
        features = self._features(tasmax, latitude)
        self.centre_: _Array = features.mean(axis=0)
        spread = features.std(axis=0)
        self.spread_: _Array = np.where(spread > 0, spread, 1.0)
        self.mean_ = float(day.mean())
        penalty = load_table("models.season", "season.toml").number("onset.regression.penalty")
        scaled = (features - self.centre_) / self.spread_
        gram = scaled.T @ scaled + penalty * np.eye(scaled.shape[1])
        self.coefficients_: _Array = np.linalg.solve(gram, scaled.T @ (day - self.mean_))
        return self

    def predict(self, tasmax: _Array, latitude: _Array) -> _Array:
        """Predict the day of flowering, dims (season, day) to (season) [d]."""
        scaled = (self._features(tasmax, latitude) - self.centre_) / self.spread_
        return np.asarray(self.mean_ + scaled @ self.coefficients_)

    def _features(self, tasmax: _Array, latitude: _Array) -> _Array:
        table = load_table("models.season", "season.toml")
        width = int(table.number("onset.regression.window"))
        count = min(int(table.number("onset.regression.windows")), self.end_ // width)
        stops = [self.end_ - width * number for number in range(count)]
        means = [tasmax[:, stop - width : stop].mean(axis=1) for stop in stops]
        return np.stack([*means, latitude], axis=1)

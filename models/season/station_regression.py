r"""Regression on shared predictors with station offsets that drift: a Gaussian process.

The date of a season is

.. math::
    y = \mu + x \cdot \beta + o_s + d_s(t) + g(z) + \epsilon

with predictors :math:`x` (standardised), coefficients drawn towards zero, an offset of the station
that stays (:math:`o_s`), one that drifts (:math:`d_s`, correlation :math:`e^{-|t - t'| / \tau}`:
observers and observed trees change, so an offset of twenty years ago says little of today's), one
shared with neighbours (:math:`g`, falling with distance), and noise. All are Gaussian with
variances that are stated as multiples of the noise's (``season.toml``, ``onset.regression``); so
the estimate is one linear system, a ridge regression and partial pooling at once,

.. math:: K = \sum_j v_j K_j + W^{-1}, \qquad \alpha = K^{-1} y ,

a station without dates of its own takes what its neighbours say and gets a wider spread, and
leaving out whole years needs no refit: with :math:`B` the rows of a year,
:math:`y_B - \hat y_{B|-B} = (K^{-1}_{BB})^{-1} \alpha_B`. Weights :math:`W` pull in dates far from
the rest (Huber): a slip of the pen moves little.

An error that all stations of a year share is not told apart: with one the errors of later seasons
were larger in most trials (seasons up to 2005). So many stations in few years make coefficients
look surer than they are; spreads are taken from whole years left out, which do not suffer from it.

References
----------
Rasmussen C.E., Williams C.K.I. 2006. Gaussian Processes for Machine Learning, ch. 2 and 5.4.2 (the
form; leaving out is written there for single rows). Efron B., Morris C. 1975. Journal of the
American Statistical Association 70:311-319 (shrinkage of group means). Huber P.J. 1964. Annals of
Mathematical Statistics 35:73-101.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from models.parameters import load_table

_Array = NDArray[np.float64]

_CONSTANT = 100.0  # variance of the common level over that of the noise: left free
_REWEIGHTINGS = 3
_TO_SD = 1.4826  # of a median absolute deviation, for a normal distribution
_TINY = 1e-9
_DEGREE = 111.2  # km on a meridian


@dataclass(frozen=True)
class Rows:
    """What is known of some seasons before their date.

    Attributes
    ----------
    predictors
        Dims (row, predictor); not a number is not allowed.
    station
        Number of the station; negative where it has no dates of its own.
    latitude, longitude
        Of the station [degree]; longitude NaN where not known: it then has no neighbours.
    year
        Year of the season.
    """

    predictors: _Array
    station: NDArray[np.int64]
    latitude: _Array
    longitude: _Array
    year: _Array

    def __len__(self) -> int:
        return len(self.station)

    def chosen(self, rows: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Rows:
        """Return some of the rows."""
        return Rows(
            self.predictors[rows],
            self.station[rows],
            self.latitude[rows],
            self.longitude[rows],
            self.year[rows],
        )

    def joined(self, other: Rows) -> Rows:
        """Return these rows and others."""
        return Rows(
            np.vstack([self.predictors, other.predictors]),
            np.append(self.station, other.station),
            np.append(self.latitude, other.latitude),
            np.append(self.longitude, other.longitude),
            np.append(self.year, other.year),
        )

    def with_predictors(self, predictors: _Array) -> Rows:
        """Return the same rows with other predictors."""
        return Rows(predictors, self.station, self.latitude, self.longitude, self.year)


@dataclass(frozen=True)
class _Parts:
    """A covariance of rows: what all share, as a factor, and what each station has alone.

    Attributes
    ----------
    shared
        Its product with itself is the covariance from level, predictors and neighbours, dims
        (row, number of them).
    alone
        Rows of each station, and their own covariance.
    """

    shared: _Array
    alone: list[tuple[NDArray[np.int64], _Array]]


class StationRegression:
    """Robust Gaussian-process regression on predictors, with offsets of stations.

    Parameters
    ----------
    shares
        Prior variance of each predictor's effect over that of the noise, one a predictor.

    Attributes
    ----------
    rows_ : Rows
        Training rows, predictors standardised.
    alpha_ : numpy.ndarray
        Dual coefficients.
    noise_ : float
        Standard deviation of the noise, from years left out [d].
    left_out_ : numpy.ndarray
        Error of each date predicted from the other years [d].
    """

    def __init__(self, shares: _Array) -> None:
        self.shares = shares

    def fit(self, rows: Rows, day: _Array) -> StationRegression:
        """Fit to observed days [d]."""
        self.centre_: _Array = rows.predictors.mean(axis=0)
        spread = rows.predictors.std(axis=0)
        self.spread_: _Array = np.where(spread > _TINY, spread, 1.0)
        self.raw_ = rows.predictors
        self.rows_ = rows.with_predictors(self._standardised(rows))
        self.level_ = float(day.mean())
        self.day_: _Array = day
        self.weight_: _Array = np.ones(len(day))
        table = load_table("models.season", "season.toml")
        limit = table.number("onset.regression.outlier")
        parts = self._parts()
        for step in range(_REWEIGHTINGS):
            self._solve(parts)
            residual = self.alpha_ / self.weight_
            scale = _TO_SD * float(np.median(np.abs(residual)))
            if step < _REWEIGHTINGS - 1:
                self.weight_ = np.minimum(1.0, limit * scale / np.maximum(np.abs(residual), _TINY))
        self._leave_years_out()
        return self

    def predict(self, rows: Rows) -> _Array:
        """Predict the day of each row [d]."""
        return self._kernel(self._standard(rows), self.rows_) @ self.alpha_ + self.level_

    def predict_sd(self, rows: Rows) -> _Array:
        """Return the standard deviation of a new date about its prediction [d]."""
        rows = self._standard(rows)
        cross = self._kernel(rows, self.rows_)
        prior = self._prior(rows)
        explained = np.einsum("ij,ij->i", cross @ self._inverse, cross)
        return np.asarray(self.noise_ * np.sqrt(np.maximum(prior - explained, 0.0) + 1.0))

    def offsets(self, station: NDArray[np.int64], latitude: _Array, longitude: _Array) -> _Array:
        """Return the latest offset of stations from what predictors say [d]."""
        last = np.full(len(station), self.rows_.year.max())
        empty = np.zeros((len(station), len(self.shares)))
        rows = Rows(empty, station, latitude, longitude, last)
        return np.asarray(self._of_places(rows, self.rows_) @ self.alpha_)

    @property
    def slopes(self) -> _Array:
        """Effect of each predictor, in days for each of its units."""
        effects = self.shares * (self.rows_.predictors.T @ self.alpha_)
        return np.asarray(effects / self.spread_)

    def without_years(self, rows: Rows, *, around: int = 0) -> _Array:
        """Predict rows from training years more than `around` years from their own [d]."""
        standard, found = self._standard(rows), np.empty(len(rows))
        for year in np.unique(rows.year):
            mine, left = rows.year == year, np.abs(self.rows_.year - year) <= around
            alpha = self.alpha_
            if left.any():
                inverse = self._inverse[:, left]
                alpha = alpha - inverse @ np.linalg.solve(inverse[left], alpha[left])
            found[mine] = self._kernel(standard.chosen(mine), self.rows_) @ alpha + self.level_
        return found

    def left_out(self, *, around: int = 0) -> tuple[_Array, _Array]:
        """Predict each training date from years more than `around` years from its own.

        Returns
        -------
        error
            Observed less predicted [d].
        share
            Variance that the model gives it, over that of the noise [1].
        """
        error, share = np.empty(len(self.day_)), np.empty(len(self.day_))
        for year in np.unique(self.rows_.year):
            left = np.abs(self.rows_.year - year) <= around
            own = self.rows_.year[left] == year
            block = np.linalg.inv(self._inverse[np.ix_(left, left)])
            mine = self.rows_.year == year
            error[mine] = (block @ self.alpha_[left])[own]
            # the block holds the noise of a down-weighted date; a date as such has noise of one
            share[mine] = (np.diag(block) - 1.0 / self.weight_[left] + 1.0)[own]
        return error, share

    def _solve(self, parts: _Parts) -> None:
        """Solve by the block that each station has alone, and what all share (Woodbury)."""
        held, solved, day = parts.shared.copy(), self.day_ - self.level_, self.day_ - self.level_
        self._alone = []
        for rows, block in parts.alone:
            alone = np.linalg.inv(block + np.diag(1.0 / self.weight_[rows]))
            held[rows], solved[rows] = alone @ parts.shared[rows], alone @ day[rows]
            self._alone.append((rows, alone))
        middle = np.eye(held.shape[1]) + parts.shared.T @ held
        self._held: _Array = held
        self._carried: _Array = cho_solve(cho_factor(middle, lower=True), held.T)
        self.alpha_: _Array = solved - held @ (self._carried @ day)

    def _leave_years_out(self) -> None:
        self._inverse: _Array = -self._held @ self._carried
        for rows, alone in self._alone:
            self._inverse[np.ix_(rows, rows)] += alone
        self.left_out_, share = self.left_out()
        self.noise_ = float(np.sqrt(np.mean(self.left_out_**2 / share)))

    def _parts(self) -> _Parts:
        """Return the covariance of the training rows, as what all share and what stations have."""
        rows, table = self.rows_, load_table("models.season", "season.toml")
        stays, drifts, neighbours, years = (
            table.number(f"onset.regression.{name}")
            for name in ("stays", "drifts", "neighbours", "years")
        )
        # a row without a station is a place of its own
        number = np.where(rows.station >= 0, rows.station, -1 - np.arange(len(rows)))
        _, first, place = np.unique(number, return_index=True, return_inverse=True)
        places = rows.chosen(first)
        size, direction = np.linalg.eigh(neighbours * _nearness(places, places))
        of_places = (direction * np.sqrt(np.maximum(size, 0.0)))[place]
        level = np.full((len(rows), 1), np.sqrt(_CONSTANT))
        linear = rows.predictors * np.sqrt(self.shares)
        alone = []
        for station in np.flatnonzero(places.station >= 0):
            mine = np.flatnonzero(place == station)
            apart = np.abs(rows.year[mine][:, None] - rows.year[mine])
            alone.append((mine, stays + drifts * np.exp(-apart / years)))
        nowhere = np.flatnonzero(rows.station < 0)
        alone += [(nowhere[i : i + 1], np.zeros((1, 1))) for i in range(len(nowhere))]
        return _Parts(np.hstack([level, linear, of_places]), alone)

    def _standardised(self, rows: Rows) -> _Array:
        return np.asarray((rows.predictors - self.centre_) / self.spread_)

    def _standard(self, rows: Rows) -> Rows:
        return rows.with_predictors(self._standardised(rows))

    def _kernel(self, left: Rows, right: Rows) -> _Array:
        linear = (left.predictors * self.shares) @ right.predictors.T
        return np.asarray(_CONSTANT + linear + self._of_places(left, right))

    def _prior(self, rows: Rows) -> _Array:
        table = load_table("models.season", "season.toml")
        places = sum(
            table.number(f"onset.regression.{name}") for name in ("stays", "drifts", "neighbours")
        )
        return np.asarray(_CONSTANT + rows.predictors**2 @ self.shares + places)

    def _of_places(self, left: Rows, right: Rows) -> _Array:
        table = load_table("models.season", "season.toml")
        stays, drifts, neighbours, years = (
            table.number(f"onset.regression.{name}")
            for name in ("stays", "drifts", "neighbours", "years")
        )
        same = (left.station[:, None] == right.station) & (left.station[:, None] >= 0)
        apart = np.abs(left.year[:, None] - right.year)
        near = _nearness(left, right)
        return np.asarray(same * (stays + drifts * np.exp(-apart / years)) + neighbours * near)

    def to_dict(self) -> dict[str, _Array]:
        """Return what the fit rests on, as arrays; `from_dict` makes it again."""
        return {
            "shares": self.shares,
            "predictors": self.raw_,
            "station": self.rows_.station.astype(float),
            "latitude": self.rows_.latitude,
            "longitude": self.rows_.longitude,
            "year": self.rows_.year,
            "day": self.day_,
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, _Array]) -> StationRegression:
        """Fit again to what `to_dict` returned."""
        places = (np.asarray(stored[n], float) for n in ("latitude", "longitude", "year"))
        rows = Rows(stored["predictors"], stored["station"].astype(np.int64), *places)
        return cls(stored["shares"]).fit(rows, stored["day"])


def _nearness(left: Rows, right: Rows) -> _Array:
    """Return how much of the offset of neighbours is shared, one at a station itself [1]."""
    distance = load_table("models.season", "season.toml").number("onset.regression.distance")
    same = (left.station[:, None] == right.station) & (left.station[:, None] >= 0)
    near = np.exp(-0.5 * (kilometres(left, right) / distance) ** 2)
    return np.where(same, 1.0, np.nan_to_num(near))


def kilometres(left: Rows, right: Rows) -> _Array:
    """Return the distance of each of some places from each of others, on a flat chart [km]."""
    middle = np.radians((left.latitude[:, None] + right.latitude) / 2.0)
    north = left.latitude[:, None] - right.latitude
    east = (left.longitude[:, None] - right.longitude + 180.0) % 360.0 - 180.0
    return np.asarray(_DEGREE * np.hypot(north, east * np.cos(middle)))

r"""State of a season from its counts: yesterday's pollen moves today's forecast.

Within a season the counts of a region, in units of the region's own scale :math:`\kappa`, are laid
beside its modelled index :math:`m_d = r_{d - \delta} f_d` (season rate, moved, times release; in
shares of a mean season),

.. math:: \log (c_d / \kappa + \epsilon) - \log (m_d + \epsilon)
          = H_d\,(a + b + k) + e_d + n_d, \qquad H_d = \frac{m_d}{m_d + \epsilon}

with the onset's error :math:`\delta` in whole days, the year's amount :math:`a` (log) that all
regions share, its part :math:`b` of the region alone, the error :math:`k` of the scale, departures
:math:`e` that fade over days, and noise :math:`n`. Given :math:`\delta` all is Gaussian; so the
odds of each :math:`\delta` and the distribution of the amount are exact, and regions add what they
know of :math:`\delta` and :math:`a`. A region without counts takes those over and keeps the spread
of its own part of the amount.

The forecast of a draw is its index moved by :math:`\delta`, times :math:`e^{a + b}`, times
:math:`e^{H e}` with what is left of the last departures. Amounts and departures have mean one, so
that without counts nothing moves. A season after the one in progress has an amount of its own.

Validity: daily concentrations near the region's homes. Known failures: departures have one spread
and one memory for all plants (assumed, not fitted); transport from afar looks like an early onset;
the spread of departures to come is not drawn, so a single week is a little too narrow.

References
----------
Rasmussen C.E., Williams C.K.I. 2006. Gaussian Processes for Machine Learning, ch. 2 (conditioning).
Kalnay E. 2003. Atmospheric Modeling, Data Assimilation and Predictability, ch. 5 (the view of a
forecast as prior of the day's observations).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp, ndtr

from models.parameters import load_table

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

_TINY = 1e-12  # variance: nothing is divided by zero where amount and scale are certain


@dataclass(frozen=True)
class Counted:
    """The counts of one region's season in progress, beside its index.

    Attributes
    ----------
    rate
        Season rate of the days from `shift.most` days before the first day of the season to as
        many past the last count, in shares of a mean season [d-1].
    released
        Release factor of the season's days up to the last count: the weather of a day stays where
        it is when the season moves [1].
    counts
        Of the season's days up to the last count, in units of the scale; NaN where not counted
        [d-1].
    scale_log_sd
        Standard deviation of the log of that scale [1].
    noise
        Standard deviation of the log of a count on its own [1].
    """

    rate: _Array
    released: _Array
    counts: _Array
    scale_log_sd: float
    noise: float


@dataclass(frozen=True)
class Evidence:
    """What a region's counts say, by the onset's error; sums of the Gaussian log likelihood.

    `quadratic` is that without any amount; `information` and `weighted` are the precision and the
    precision-weighted sum for the log amount of the region. `spread` is its prior variance given
    what regions share.
    """

    quadratic: _Array
    information: _Array
    weighted: _Array
    spread: float

    @property
    def of_amount(self) -> tuple[_Array, _Array]:
        """Precision and weighted sum for the shared amount, the region's own part left open."""
        rest = 1.0 + self.spread * self.information
        return self.information / rest, self.weighted / rest

    @property
    def log_odds(self) -> _Array:
        """Log likelihood of each error of the onset, the shared amount being zero."""
        rest = 1.0 + self.spread * self.information
        own = self.spread * self.weighted**2 / rest
        return np.asarray(-0.5 * self.quadratic + 0.5 * own - 0.5 * np.log(rest))


def shifts() -> _Whole:
    """Return the errors of the onset that are looked at, in whole days."""
    most = int(load_table("models", "exposure_counts.toml").number("shift.most"))
    return np.arange(-most, most + 1)


def prior_odds(sd: float) -> _Array:
    """Return the odds of each of `shifts` by a normal error of the onset, to the whole day."""
    upper = ndtr((shifts() + 0.5) / max(sd, 1e-6))
    upper[-1] = 1.0
    return np.diff(upper, prepend=0.0)


class RegionState:
    """Departures and evidence of one region's season in progress.

    Parameters
    ----------
    counted
        Counts and index.
    amount_sd
        Standard deviation of the log of a year's amount, its shared part and the region's own.
    """

    def __init__(self, counted: Counted, amount_sd: float) -> None:
        table = load_table("models", "exposure_counts.toml")
        self._epsilon = table.number("detection")
        self._sd = table.number("departure.log_sd")
        self._days = table.number("departure.days")
        self.own_variance = table.number("amount_local") * amount_sd**2
        self._scale_variance = counted.scale_log_sd**2
        self._at = np.flatnonzero(~np.isnan(counted.counts))
        apart = np.abs(self._at[:, None] - self._at)
        covariance = self._sd**2 * np.exp(-apart / self._days)
        covariance[np.diag_indices(len(self._at))] += counted.noise**2
        self._factor = cho_factor(covariance, lower=True)
        # departures and noise have mean one, their logarithms a mean below zero
        usual = -0.5 * (self._sd**2 + counted.noise**2)
        index = self._moved(counted.rate) * counted.released[self._at]
        self.response = index / (index + self._epsilon)
        seen = np.log(counted.counts[self._at] + self._epsilon)
        self.misfit = seen - np.log(index + self._epsilon) - usual * self.response
        solved = cho_solve(self._factor, self.misfit.T).T
        response = cho_solve(self._factor, self.response.T).T
        self.evidence = Evidence(
            (self.misfit * solved).sum(axis=1),
            (self.response * response).sum(axis=1),
            (self.response * solved).sum(axis=1),
            self.own_variance + self._scale_variance + _TINY,
        )

    def _moved(self, rate: _Array) -> _Array:
        """Return the rate of the counted days for each error of the onset, dims (shift, day)."""
        most = int(shifts()[-1])
        return np.asarray(rate[most + self._at[None, :] - shifts()[:, None]])

    def amount(self, chosen: _Whole, shared: _Array, normal: _Array) -> tuple[_Array, _Array]:
        """Draw the region's log ratio of counts to index, and its log amount.

        Parameters
        ----------
        chosen
            Position in `shifts` of each draw.
        shared
            Shared log amount of each draw.
        normal
            Standard normal numbers of the region's own, dims (draw, 2).

        Returns
        -------
        ratio, amount
            One a draw; they differ by the error of the scale.
        """
        one, mean = self.evidence, shared - 0.5 * self.own_variance
        precision = 1.0 / one.spread + one.information[chosen]
        ratio = (mean / one.spread + one.weighted[chosen]) / precision
        ratio = ratio + normal[:, 0] / np.sqrt(precision)
        part = self.own_variance / one.spread
        rest = np.sqrt(self.own_variance * self._scale_variance / one.spread)
        return ratio, mean + part * (ratio - mean) + rest * normal[:, 1]

    def departures(self, chosen: _Whole, ratio: _Array, days: _Whole) -> _Array:
        """Return the log of what departures are expected to add, dims (draw, day).

        Parameters
        ----------
        chosen, ratio
            As of `amount`, by draw.
        days
            Counted from the first day of the season [d].
        """
        left = self.misfit[chosen] - self.response[chosen] * ratio[:, None]
        cross = self._sd**2 * np.exp(-np.abs(days[:, None] - self._at) / self._days)
        gain = cho_solve(self._factor, cross.T)
        known = (cross * gain.T).sum(axis=1)
        return np.asarray(left @ gain - 0.5 * known)


class SeasonState:
    """What counts say of one allergen's season in progress in all regions.

    Parameters
    ----------
    regions
        One a region; None without counts.
    onset_sd
        Standard deviation of the onset's error [d].
    amount_sd
        Standard deviation of the log of a year's amount [1].
    """

    def __init__(
        self, regions: list[RegionState | None], *, onset_sd: float, amount_sd: float
    ) -> None:
        self.regions = regions
        self._amount_sd = amount_sd
        local = load_table("models", "exposure_counts.toml").number("amount_local")
        self._own_variance = local * amount_sd**2
        shared = amount_sd**2 - self._own_variance
        held = [r.evidence for r in regions if r is not None]
        precision = sum((e.of_amount[0] for e in held), np.zeros(len(shifts())))
        # a region's own part has its mean below zero: its counts are read about that mean
        centre = -0.5 * self._own_variance
        weighted = sum(
            (e.of_amount[1] - centre * e.of_amount[0] for e in held),
            np.zeros(len(shifts())),
        )
        alone = sum(
            (e.log_odds + centre * e.of_amount[1] - 0.5 * centre**2 * e.of_amount[0] for e in held),
            np.zeros(len(shifts())),
        )
        usual = -0.5 * shared
        self.amount_variance = shared / (1.0 + shared * precision)
        self.amount_mean = (usual + shared * weighted) / (1.0 + shared * precision)
        gained = weighted - usual * precision
        evidence = alone + 0.5 * self.amount_variance * gained**2
        evidence += usual * weighted - 0.5 * usual**2 * precision
        evidence += 0.5 * np.log(self.amount_variance / shared) if shared > 0 else 0.0
        with np.errstate(divide="ignore"):
            logs = np.log(prior_odds(onset_sd)) + evidence
        self.odds: _Array = np.exp(logs - logsumexp(logs))

    def usual_amount(self, normal: _Array) -> _Array:
        """Return amounts of seasons without counts, mean one, from standard normal numbers [1]."""
        return np.asarray(np.exp(self._amount_sd * normal - 0.5 * self._amount_sd**2))

    def onset_errors(self, normal: _Array) -> _Whole:
        """Return the onset's error of each draw from standard normal numbers, in whole days."""
        below = np.cumsum(self.odds)
        chosen = np.searchsorted(below[:-1], ndtr(normal))
        return np.asarray(shifts()[chosen], dtype=np.int64)

    def factors(
        self, errors: _Whole, normal: _Array, own: _Array, *, days: list[_Whole]
    ) -> tuple[_Array, list[_Array | None]]:
        """Return the amount of each draw and region, and the log of its departures.

        Parameters
        ----------
        errors
            From `onset_errors`.
        normal
            Standard normal numbers that regions share, one a draw.
        own
            Those of each region, dims (draw, region, 2).
        days
            For each region the days, from the first of its season, of which departures are asked.

        Returns
        -------
        amount
            Dims (draw, region) [1].
        departures
            By region, dims (draw, day); None without counts.
        """
        chosen = errors - int(shifts()[0])
        shared = self.amount_mean[chosen] + np.sqrt(self.amount_variance[chosen]) * normal
        amount = np.empty((len(errors), len(self.regions)))
        departures: list[_Array | None] = []
        for place, region in enumerate(self.regions):
            if region is None:
                sd = np.sqrt(self._own_variance)
                amount[:, place] = shared - 0.5 * self._own_variance + sd * own[:, place, 0]
                departures.append(None)
                continue
            ratio, amount[:, place] = region.amount(chosen, shared, own[:, place])
            departures.append(region.departures(chosen, ratio, days[place]))
        return np.exp(amount), departures

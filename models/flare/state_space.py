r"""The state-space member: level, slope, short memory and season that move from week to week.

The count of region *r* in week *t* is negative binomial with

.. math:: \log \mu_{r,t} = o_{r,t} + b_r + l_{r,t} + m_{r,t} + \sum_k h_k(t)\, s_{k,r,t},

*o* the known part with the region's mean rate, *b* its base, *h* the columns of the season
(:mod:`models.flare.season_terms`) and the states moving as

.. math::
    l_t &= 2^{-1/L}\, l_{t-1} + d_{t-1} + \epsilon_t, \quad
    d_t = 2^{-1/D}\, d_{t-1} + \eta_t, \\
    m_t &= \phi\, m_{t-1} + e^{\beta S_t}\,\zeta_t, \quad
    s_{k,t} = s_{k,t-1} + \omega_{k,t},

so the level *l* wanders and slowly returns (half-life *L*), a slope *d* runs on and fades, a short
memory *m* holds what is special about these weeks, and the season itself may change. *S* is what
the season says of the week: with *beta* above zero weeks of a high season are more uncertain than
others, as they are where epidemics or swarms make the season.

No parameter is estimated and then believed. Seven have priors (``flare.toml``; three more are held,
as counts tell too little of them); sets of them that the counts leave likely are drawn
(:mod:`models.flare.parameter_sets`), each follows the counts week by week, and the forecast is the
mixture. A count is taken in by the mode and curvature of its likelihood (an extended Kalman filter
for counts), so weeks without a visit need no rescue. Of a week with a full diary at least as many
would have come: that tells what a normal variable tells that is known to lie above a bound (the
filter of Tobin's model).

Regions share the parameters. Where there are several, the counts of all together are followed
first and each region's season starts from what they teach, with the table's spread.

A log-mean is not drawn above twice the highest that the past has shown: after two winters the
season of an epidemic is so little known that its upper tail would be absurd.

Draws are whole futures: a state is drawn and walked on, so that weeks of a draw share a level that
was thought too high or low, and all that moves them is drawn alike in two regions to the degree
that their weeks have surprised alike.

Validity: from three to four years of counts on (`models.flare.count_forecaster`); with fewer, two
epidemic winters were drawn far too wide in training series. Known failures: a season that comes
early or late as a whole is taken for a short-lived departure; parameters do not differ between
regions, and all pairs of regions are taken as equally alike.

References
----------
Allik B., Miller C., Piovoso M.J. & Zurakowski R. 2016, IEEE Transactions on Control Systems
Technology 24:365-371 (bounded weeks). Harvey A.C. 1989, Forecasting, Structural Time Series Models
and the Kalman Filter (level, damped slope and season as states). West M. & Harrison J. 1997,
Bayesian Forecasting and Dynamic Models, 2nd ed. (mixtures of models over parameters). Fahrmeir L.
1992, Journal of the American Statistical Association 87:501-509 (mode and curvature in place of the
exact update, for counts).
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.known_counts import LARGEST_LOG_MEAN, known_counts, log_rates, pseudo_count
from models.flare.parameter_sets import Sets, find_sets
from models.flare.season_terms import TURN_OF_YEAR, season, wave_names
from models.flare.state_space_kernels import FIRST_COLUMN, SIZE, follow, surprises, walk
from models.parameters import ParameterTable, load_table
from models.streams import DrawStreams

Array = NDArray[np.float64]
_TINY = 1e-12  # added to covariances, so that rounding leaves them a root
_MOST_ALIKE = 0.99
_WILDEST = 3.0  # times its mean, by which one week may tell of what regions share


@dataclass(frozen=True)
class _Seen:
    """Counts (NaN where not known), their known part and full weeks ``(region, week)``; season."""

    counts: Array
    known_part: Array
    full: NDArray[np.bool_]
    columns: Array

    def together(self) -> _Seen:
        """Return the counts of all regions as those of one."""
        known = np.isfinite(self.counts)
        none = ~known.any(0)
        counts = np.where(none, np.nan, np.where(known, self.counts, 0.0).sum(0))
        expected = np.where(known, np.exp(self.known_part), 0.0).sum(0)
        known_part = np.log(np.where(none, 1.0, expected))
        return _Seen(counts[None], known_part[None], np.atleast_2d(self.full.any(0)), self.columns)


class StateSpace(BaseEstimator):  # type: ignore[misc]
    """A mixture of state-space models of weekly counts.

    Parameters
    ----------
    parameter_sets
        Sets of parameters, shape ``(set, parameter)``, that are taken as they are; found from the
        counts unless given.

    Attributes
    ----------
    parameters_
        Sets of parameters, equally likely, shape ``(set, parameter)``.
    start_
        Season that the regions start from, shape ``(set, column)``.
    mean_, covariance_
        State after the last week, shapes ``(set, region, state)`` and ``(set, region, state,
        state)``.
    log_rate_, highest_
        Log of each region's mean rate, and how far a log-mean may rise above it, each shape
        ``(region,)``.
    last_week_
        The last week of the counts.
    alike_
        Correlation of what moves two regions, between 0 and 1.
    """

    def __init__(self, parameter_sets: Sets | None = None) -> None:
        self.parameter_sets = parameter_sets

    def fit(
        self, counts: xr.DataArray, offset: xr.DataArray, *, full: xr.DataArray | None = None
    ) -> Self:
        """Fit to counts and the known part of their log-mean, dims ``(region, week)``.

        `full` marks weeks in which at least as many would have come; None is none.
        """
        self.log_rate_ = log_rates(*known_counts(counts, offset))
        seen, table = self._see(counts, offset, full), _table()
        given = self.parameter_sets
        self.parameters_ = _learnt(seen, table) if given is None else np.array(given)
        self.start_ = _started(seen, self.parameters_, table)
        self.alike_ = _alike(seen, self.parameters_, self.start_, table)
        self._follow(seen)
        return self

    def updated(
        self, counts: xr.DataArray, offset: xr.DataArray, *, full: xr.DataArray | None = None
    ) -> Self:
        """Return the same fit with the state as it stands after newer counts; see `fit`."""
        member = copy(self)
        member._follow(member._see(counts, offset, full))
        return member

    def _see(self, counts: xr.DataArray, offset: xr.DataArray, full: xr.DataArray | None) -> _Seen:
        y, exposed = known_counts(counts, offset)
        known = exposed > 0.0
        rate = np.exp(self.log_rate_)[:, None]
        extra = pseudo_count()
        above = np.log((y + extra) / (exposed * rate + extra))
        table = _table()
        self.highest_ = np.log(table.number("state_space.beyond")) + above.max(1)
        weeks = counts["week"].values.astype("datetime64[D]")
        self.last_week_ = weeks[-1]
        shut = np.zeros(y.shape, bool)
        if full is not None:
            shut = full.transpose("region", "week").values.astype(bool)
        return _Seen(
            np.where(known, y, np.nan),
            np.log(np.where(known, exposed * rate, 1.0)),
            shut,
            season(weeks, _harmonics(table)),
        )

    def _follow(self, seen: _Seen) -> None:
        followed = _followed(seen, self.parameters_, self.start_, _table())
        _, self.mean_, self.covariance_ = followed

    def draw(self, offset: xr.DataArray, *, streams: DrawStreams) -> xr.DataArray:
        """Draw counts of the weeks ahead from their known part, dims ``(draw, region, week)``.

        What happens together in the weeks and regions of a draw is drawn together.
        """
        offset = offset.transpose("draw", "region", "week")
        weeks = offset["week"].values.astype("datetime64[D]")
        # a week that is known already is drawn as the first that is not
        lead = np.maximum((weeks - self.last_week_).astype(int) // 7, 1)
        columns = self._columns_ahead(int(lead.max()))
        n_states, shares = self.mean_.shape[-1], _shares(_table())
        roots = np.linalg.cholesky(self.covariance_ + _TINY * np.eye(n_states))
        needed = (len(columns) + 1, n_states)
        shared = np.sqrt(self.alike_) * streams.shared_normal(*needed)
        size = self.parameters_[:, SIZE]
        known = offset.values + self.log_rate_[:, None]

        def take(stream: np.random.Generator, draw: int, region: int) -> NDArray[np.int64]:
            one = draw % len(size)
            own = np.sqrt(1.0 - self.alike_) * stream.standard_normal(needed)
            path = walk(
                self.mean_[one, region],
                roots[one, region],
                columns,
                shares,
                self.parameters_[one],
                shared[draw] + own,
            )
            above = np.minimum(path[lead - 1], self.highest_[region])
            mean = np.exp(np.minimum(above + known[draw, region], LARGEST_LOG_MEAN))
            rate = stream.standard_gamma(size[one], len(weeks)) / size[one]
            return np.asarray(stream.poisson(mean * rate))

        return offset.copy(data=streams.own(take))

    def _columns_ahead(self, n_weeks: int) -> Array:
        """Return the season's columns of the weeks after the last, shape ``(week, column)``."""
        ahead = self.last_week_ + np.timedelta64(7, "D") * np.arange(1, n_weeks + 1)
        return season(ahead, _harmonics(_table()))

    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        below = np.tril_indices(self.mean_.shape[-1])
        return {
            "parameters": self.parameters_,
            "start": self.start_,
            "mean": self.mean_,
            "covariance": self.covariance_[..., below[0], below[1]],
            "log_rate": self.log_rate_,
            "highest": self.highest_,
            "alike": self.alike_,
            "last_week": str(self.last_week_),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls()
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        member.alike_ = float(stored["alike"])
        for name in ("parameters", "start", "mean", "log_rate", "highest"):
            setattr(member, f"{name}_", np.asarray(stored[name], dtype=float))
        first, second = np.tril_indices(member.mean_.shape[-1])
        half = np.asarray(stored["covariance"], dtype=float)
        member.covariance_ = np.zeros((*member.mean_.shape, member.mean_.shape[-1]))
        member.covariance_[..., first, second] = half
        member.covariance_[..., second, first] = half
        return member


def _table() -> ParameterTable:
    return load_table("models.flare", "flare.toml")


def _harmonics(table: ParameterTable) -> int:
    return int(table.number("season.harmonics"))


def _wave_numbers(table: ParameterTable) -> Array:
    return np.array([float(k) for k, _ in wave_names(_harmonics(table))])


def _shares(table: ParameterTable) -> Array:
    """Return the part of the season's step that each column takes; the turn of the year stays."""
    return np.concatenate([1.0 / _wave_numbers(table), np.zeros(len(TURN_OF_YEAR))])


def _season_sd(table: ParameterTable, name: str) -> Array:
    """Return the spread of a season's columns: that of its first wave, of later ones less."""
    first, turn = table.number(name), table.number("prior.turn_of_year_sd")
    return np.concatenate([first / _wave_numbers(table), np.full(len(TURN_OF_YEAR), turn)])


def _learnt(seen: _Seen, table: ParameterTable) -> Array:
    """Return sets of parameters that the counts leave likely."""

    def log_likelihood(sets: Array) -> Array:
        # each region's season on its own: the parameters hardly hang on where it starts
        flat = np.zeros((len(sets), seen.columns.shape[1]))
        return _follow_from(seen, sets, flat, table, "prior.season_sd")[0]

    return find_sets(log_likelihood, table)


def _started(seen: _Seen, sets: Array, table: ParameterTable) -> Array:
    """Return the season that the regions start from, with each set, shape ``(set, column)``."""
    flat = np.zeros((len(sets), seen.columns.shape[1]))
    if len(seen.counts) == 1:
        return flat
    all_of_them = _follow_from(seen.together(), sets, flat, table, "prior.season_sd")
    return all_of_them[1][:, 0, FIRST_COLUMN:]


def _followed(
    seen: _Seen, sets: Array, start: Array, table: ParameterTable
) -> tuple[Array, Array, Array]:
    """Follow each region from a season; returns as `state_space_kernels.follow`."""
    name = "prior.season_sd" if len(seen.counts) == 1 else "state_space.region_season_sd"
    return _follow_from(seen, sets, start, table, name)


def _alike(seen: _Seen, sets: Array, start: Array, table: ParameterTable) -> float:
    """Return the correlation of what moves two regions, by how they surprise together.

    Two log-means of variances ``v`` and ``w`` that move alike by ``c`` surprise together by ``c``
    times the root of ``v w`` on average, whatever the noise of the counts.
    """
    n_regions, n_weeks = seen.counts.shape
    first = int(table.number("state_space.warm_up"))
    if n_regions == 1 or n_weeks <= first:
        return 0.0
    found, spread = surprises(
        *(seen.counts, seen.known_part, seen.full, seen.columns, _shares(table)),
        *(np.median(start, axis=0), _season_sd(table, "state_space.region_season_sd")),
        *(table.number("state_space.base_sd"), np.median(sets, axis=0)),
    )
    error = np.clip(found[:, first:], -_WILDEST, _WILDEST)
    known, width = np.isfinite(error), np.sqrt(np.nan_to_num(spread[:, first:]))
    error = np.nan_to_num(error)
    # sums over pairs of different regions, from those over all regions of a week
    together = error.sum(0) ** 2 - (error**2).sum(0)
    possible = width.sum(0) ** 2 - (width**2).sum(0)
    n_paired = int((known.sum(0) > 1).sum())
    doubt = n_paired / (n_paired + table.number("state_space.alike_weeks"))
    return float(np.clip(doubt * together.sum() / max(possible.sum(), _TINY), 0.0, _MOST_ALIKE))


def _follow_from(
    seen: _Seen, sets: Array, start: Array, table: ParameterTable, season_sd: str
) -> tuple[Array, Array, Array]:
    return follow(
        seen.counts,
        seen.known_part,
        seen.full,
        seen.columns,
        _shares(table),
        start,
        _season_sd(table, season_sd),
        table.number("state_space.base_sd"),
        sets,
    )

r"""Whether a dog's own past flares foretell its weekly risk better than its region alone.

Each season of each dog is held out: its weeks are foretold from what the earlier years told, by the
dog's own shrunken rate and by the region's rate, which knows no dog. Both take the region's
pressure of the part of the year from earlier years, since that of the week itself is not known
ahead. Only weeks count in which the dog was under the practice's eyes and known not to be covered.

The Brier scores are compared over dogs as clusters: with :math:`d_i` the sum of a dog's differences
over its :math:`n_i` weeks,

.. math:: \bar d = \frac{\sum_i d_i}{\sum_i n_i}, \qquad
          \text{se} = \frac{\sqrt{\sum_i (d_i - \bar d\, n_i)^2}}{\sum_i n_i}

References: W.G. Cochran (1977), Sampling Techniques, 3rd edition, the ratio estimator of clusters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.dosing.dog_record import Reason
from forecast.dosing.dog_risk import (
    WEEKS_OF_YEAR,
    DogHistory,
    chance_of_a_flare,
    flares_by_week,
    observed_share,
    window_sum,
)
from forecast.dosing.register import RegionPressure, Register, history_of, is_atopic
from forecast.dosing.therapies import days_rule, rule
from forecast.dosing.work_up import HOUSE
from models.scores import brier_decomposition, reliability_table
from models.weeks import mondays, week_of_year
from models.words import number_of

Floats = NDArray[np.float64]
_WHOLE = 1 - 1e-9  # a week is wholly observed
_NORMAL_95 = 1.959964  # two-sided 95 % point of the standard normal distribution
_DIGITS = 2  # probabilities are grouped in hundredths for the parts of the score


@dataclass(frozen=True)
class HeldOut:
    """Weeks of held-out seasons: by whom, what was foretold either way, and what came."""

    dog: NDArray[np.int64]
    season: NDArray[np.int64]
    own: Floats
    blind: Floats
    came: Floats


@dataclass(frozen=True)
class RiskSkill:
    """How a dog's own rate did beside the dog-blind one; scores None where nothing was held out.

    `difference` is own minus blind, `low` and `high` its 95 % interval; reliability is the mean
    squared distance of what was said from what then happened.
    """

    n_dogs: int
    n_seasons: int
    n_weeks: int
    own: float | None = None
    blind: float | None = None
    difference: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    own_reliability: float = float("nan")
    blind_reliability: float = float("nan")

    @property
    def is_known(self) -> bool:
        """Whether enough dogs were held out to tell."""
        return self.own is not None and self.n_dogs >= days_rule("risk_skill.dogs_needed")

    @property
    def uses_own(self) -> bool:
        """Whether a dog's own rate is used: it is better, or that cannot be told yet."""
        return not self.is_known or self.difference < 0

    @property
    def reason(self) -> Reason:
        """What a plan says of it."""
        if not self.is_known:
            sentence = (
                "its risk is its own flares, shrunk to its region's; whether that foretells more "
                f"than the region alone is not known yet ({number_of(self.n_dogs, 'dog')} with "
                "seasons held out)"
            )
            return Reason("risk_basis", sentence, HOUSE, known=False)
        which = (
            "its risk is its own flares, shrunk to its region's: they foretell more than the "
            "region alone"
            if self.uses_own
            else "its risk is that of its region: dogs' own flares did not foretell more"
        )
        sentence = (
            f"{which} (Brier score {self.own:.4f} own, {self.blind:.4f} region, on "
            f"{number_of(self.n_seasons, 'held-out dog-season')}; difference "
            f"{self.difference:+.4f}, 95 % interval {self.low:+.4f} to {self.high:+.4f})"
        )
        return Reason("risk_basis", sentence, HOUSE)


def risk_skill(register: Register, region: str, pressure: RegionPressure) -> RiskSkill:
    """Score the weekly risk of the atopic dogs of a region on their held-out seasons."""
    histories = [
        history_of(dog, register)
        for dog in register.dogs.values()
        if dog.region == region and is_atopic(dog) and register.uncovered.get(dog.id)
    ]
    known = np.isfinite(pressure.past)
    return score(held_out(histories, pressure.past[known], pressure.past_weeks[known]))


def held_out(
    histories: Sequence[DogHistory], past: Floats, past_weeks: NDArray[np.datetime64]
) -> HeldOut:
    """Foretell every season of every dog but the first from the years before it."""
    weeks, part = mondays(past_weeks), week_of_year(past_weeks)
    year = pd.DatetimeIndex(weeks + np.timedelta64(3, "D")).year.to_numpy()
    shape = (len(histories), weeks.size)
    share = np.array([observed_share(one, weeks) for one in histories]).reshape(shape)
    flares = np.array([flares_by_week(one, weeks) for one in histories]).reshape(shape)
    flares *= share > 0
    found = [
        _season(share, flares, past, part, before=year < one, now=year == one)
        for one in np.unique(year)[1:]
    ]
    seasons = np.repeat(np.unique(year)[1:], [len(one[0]) for one in found])
    dog, own, blind, came = (
        np.concatenate([one[k] for one in found]) if found else np.zeros(0) for k in range(4)
    )
    return HeldOut(dog.astype(np.int64), seasons.astype(np.int64), own, blind, came)


def _season(
    share: Floats,
    flares: Floats,
    past: Floats,
    part: NDArray[np.int64],
    *,
    before: NDArray[np.bool_],
    now: NDArray[np.bool_],
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return dog, own probability, blind probability and outcome of the weeks of one season."""
    nu = rule("dog_risk.prior_strength")
    own = window_sum(_by_part(flares[:, before], part[before]))
    expected = window_sum(_by_part(share[:, before] * past[before], part[before]))
    seen = window_sum(_by_part(np.ones((1, before.sum())), part[before]))[0]
    total = window_sum(_by_part(past[None, before], part[before]))[0]
    usual = np.divide(total, seen, out=np.full(WEEKS_OF_YEAR, np.nan), where=seen > 0)
    rates, here = usual[part[now]], part[now]
    blind = chance_of_a_flare(own[:, here], expected[:, here], nu=np.inf, rates=rates)
    shrunk = chance_of_a_flare(own[:, here], expected[:, here], nu=nu, rates=rates)
    blind = np.broadcast_to(blind, shrunk.shape)
    was_seen = share[:, before].sum(axis=1) > 0
    counts = (share[:, now] >= _WHOLE) & was_seen[:, None] & np.isfinite(rates)
    dog = np.broadcast_to(np.arange(len(share))[:, None], counts.shape)
    came = (flares[:, now] > 0).astype(float)
    return dog[counts].astype(float), shrunk[counts], blind[counts], came[counts]


def _by_part(values: Floats, part: NDArray[np.int64]) -> Floats:
    """Add up values (dog, week) by part of the year."""
    total = np.zeros((len(values), WEEKS_OF_YEAR))
    np.add.at(total.T, part, values.T)
    return total


def score(cases: HeldOut) -> RiskSkill:
    """Return the Brier scores of both ways, their difference with its interval, and parts."""
    n_dogs = np.unique(cases.dog).size
    n_seasons = len(set(zip(cases.dog.tolist(), cases.season.tolist(), strict=True)))
    if not cases.came.size:
        return RiskSkill(0, 0, 0)
    own, blind = (cases.own - cases.came) ** 2, (cases.blind - cases.came) ** 2
    apart = np.bincount(cases.dog, weights=own - blind)
    weeks = np.bincount(cases.dog)
    mean = float(apart.sum() / weeks.sum())
    error = float(np.sqrt(((apart - mean * weeks) ** 2).sum()) / weeks.sum())
    parts = [
        brier_decomposition(cases.came, np.round(one, _DIGITS)) for one in (cases.own, cases.blind)
    ]
    return RiskSkill(
        n_dogs,
        n_seasons,
        int(cases.came.size),
        float(own.mean()),
        float(blind.mean()),
        mean,
        mean - _NORMAL_95 * error,
        mean + _NORMAL_95 * error,
        parts[0].reliability,
        parts[1].reliability,
    )


def reliability(cases: HeldOut) -> pd.DataFrame:
    """Return what came by what was said, of a dog's own probability: a row a tenth of the risk."""
    return reliability_table(cases.came, cases.own)

"""Everything in the export that is not itch: other consultations, and weeks that never arrive."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from jobs.demo.diary import KINDS
from jobs.demo.places import TABLE, WEEKDAYS, Places, listed, stream

_VOLUME_STREAM, _GAP_STREAM, _OTHER_STREAM, _LENGTH_STREAM = 30, 31, 32, 33
_WEEKS_A_YEAR = 365.25 / 7


def other_consultations(places: Places, *, seed: int) -> NDArray[np.int64]:
    """Return the number of other consultations, [day, branch]: none on closed days.

    A negative binomial with growth, its own season and a weekday profile; it knows no weather.
    """
    rng = stream(seed, _VOLUME_STREAM)
    value = TABLE.group("volume")
    week = places.days.isocalendar()["week"].to_numpy().astype(float)
    season = value["amplitude"].number * np.cos(
        2 * np.pi * (week - value["peak_week"].number) / _WEEKS_A_YEAR
    )
    years = np.arange(places.n_days) / 365.25
    level = np.exp(season + value["growth_a_year"].number * years)[:, None] * places.open
    spread = rng.normal(0.0, value["branch_spread"].number, size=len(places.regions))
    weekday = np.array(listed("volume.weekday"))
    usual = np.zeros(len(places.regions))
    for branch, words in enumerate(places.branches["open_days"]):
        days = [WEEKDAYS.index(word) for word in words.split()]
        usual[branch] = weekday[days].sum()
    share = weekday[places.days.day_of_week.to_numpy()][:, None] / usual[None, :]
    mean = value["weekly"].number * level * share * np.exp(spread)
    size = value["size"].number
    return np.asarray(rng.poisson(mean * rng.gamma(size, 1 / size, size=mean.shape)))


def other_visits_of_dogs(
    places: Places, present: NDArray[np.bool_], branch: NDArray[np.int64], *, seed: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return day and dog of the atopic dogs' visits for anything else."""
    chance = TABLE.number("diary.other_visits_a_year") / 365.25
    drawn = stream(seed, _OTHER_STREAM).random(present.shape, dtype=np.float32) < chance
    days, dogs = np.nonzero(drawn & present & places.open[:, branch])
    return days, dogs


def lengths(kinds: NDArray[np.object_], *, seed: int) -> NDArray[np.float64]:
    """Return how long each visit of these kinds lasted [min], not-a-number where nobody said.

    A gamma about the kind's mean, in whole minutes of one or more.
    """
    rng, shape = stream(seed, _LENGTH_STREAM), TABLE.number("length.shape")
    means = {kind: TABLE.number(f"length.mean.{kind.replace(' ', '_')}") for kind in KINDS}
    mean = np.array([means[kind] for kind in kinds])
    lasted = np.maximum(np.rint(rng.gamma(shape, mean / shape)), 1.0)
    told = rng.random(len(kinds)) < TABLE.number("length.told")
    return np.where(told, lasted, np.nan)


def lost_weeks(places: Places, *, as_of_day: int, seed: int) -> NDArray[np.bool_]:
    """Return which branch-weeks never reach the export, [week, branch].

    The weeks just before the as-of date are whole: the draw is the same for every as-of date, and
    those weeks are then given back.
    """
    rng = stream(seed, _GAP_STREAM)
    weeks = places.n_days // 7
    lost = rng.random((weeks, len(places.regions))) < TABLE.number("gaps.single_weeks")
    length = int(TABLE.number("gaps.outage_weeks"))
    for _ in range(int(TABLE.number("gaps.outages"))):
        first, branch = rng.integers(0, weeks - length), rng.integers(len(places.regions))
        lost[first : first + length, branch] = True
    week = as_of_day // 7
    lost[week - int(TABLE.number("gaps.none_before_as_of")) : week + 1] = False
    opened = np.arange(weeks)[:, None] * 7 >= places.opens_on[None, :]
    return np.asarray(lost & opened)

r"""Columns of a log-linear model of weekly counts: season, turn of the year, slow level.

The season is a sum of annual waves. Around Christmas and New Year practices, laboratories and
offices are closed and people away; no smooth wave follows that, so the weeks that hold 25 December
and 1 January have a term each.

The slow level is a piecewise-linear path that may turn every so many weeks,

.. math:: l(t) = \sum_j d_j \, \min\left(1, \max\left(0, \frac{t_j + w - t}{w}\right)\right),

each *d* the step by which the level before knot *t_j* differed from that after it. With a normal
prior on the steps this is a random walk seen from its end: the level of the last weeks is the
reference, and ahead it is held, not extrapolated. A slope that runs on, damped with a half-life of
a year, was tried on training spans of five weekly series and gained nothing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.weeks import WEEKS_IN_YEAR, phase

Array = NDArray[np.float64]
Weeks = NDArray[np.datetime64] | pd.DatetimeIndex
TURN_OF_YEAR = ("Christmas week", "New Year week")


def waves(weeks: Weeks, harmonics: int) -> Array:
    """Return cosine and sine of the first annual harmonics, shape ``(week, 2 * harmonics)``."""
    angle = 2.0 * np.pi * phase(weeks)
    columns = [f(k * angle) for k in range(1, harmonics + 1) for f in (np.cos, np.sin)]
    return np.stack(columns, axis=-1) if columns else np.zeros((len(angle), 0))


def wave_names(harmonics: int) -> list[tuple[int, str]]:
    """Return number and kind (c, s) of each column of `waves`."""
    return [(k, wave) for k in range(1, harmonics + 1) for wave in ("c", "s")]


def turn_of_year(weeks: Weeks) -> Array:
    """Return 1 in the weeks that hold 25 December and 1 January, shape ``(week, 2)``."""
    monday = pd.DatetimeIndex(np.asarray(weeks).astype("datetime64[D]"))
    sunday = monday + pd.Timedelta(days=6)
    # a week holds New Year if it ends in another year than it began, or begins on the first
    new_year = (monday.year != sunday.year) | ((monday.month == 1) & (monday.day == 1))
    christmas = (monday.month == 12) & (monday.day <= 25) & (monday.day >= 19)
    return np.stack([christmas, new_year], axis=-1).astype(float)


def season(weeks: Weeks, harmonics: int) -> Array:
    """Return waves and turn of the year side by side, shape ``(week, 2 * harmonics + 2)``."""
    return np.concatenate([waves(weeks, harmonics), turn_of_year(weeks)], axis=-1)


def years_since(weeks: Weeks, week: np.datetime64) -> Array:
    """Return how long after a week each week is [years]; negative before it."""
    days = (np.asarray(weeks).astype("datetime64[D]") - week).astype(float)
    return np.asarray(days / 7.0 / WEEKS_IN_YEAR)


def level_steps(years: Array, *, n_steps: int, steps_per_year: float) -> Array:
    """Return the columns of the slow level, shape ``(week, n_steps)``; zero after the last week.

    Parameters
    ----------
    years
        Time since the last week of the fit [years], shape ``(week,)``.
    n_steps
        Number of knots, the first one step before the last week.
    steps_per_year
        Knots a year.
    """
    width = 1.0 / steps_per_year
    knots = -width * np.arange(1, n_steps + 1)
    return np.clip((knots + width - years[:, None]) / width, 0.0, 1.0)

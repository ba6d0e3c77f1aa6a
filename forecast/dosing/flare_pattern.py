"""Whether one dog's flares keep to a season, or come all year round.

All year round is a reason to look again at food, mites and fleas before anything is said of pollen.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.culprits import FlareCalendar, flare_calendar
from models.culprits.flare_calendar import DAYS_IN_LEAP_YEAR, place_of_day

Span = tuple[date, date]  # first and last day


def flare_pattern(flares: NDArray[np.datetime64], at_risk: Iterable[Span]) -> FlareCalendar:
    """Tell whether a dog's flares keep to a part of the year.

    Parameters
    ----------
    flares
        Days of its flare visits, first of their episodes (`FlareDays.of_dog`).
    at_risk
        Spans in which the dog was under the practice's eyes and known not to be covered
        (`Register.uncovered`). Flares outside them do not count.
    """
    day = np.timedelta64(1, "D")
    spans = [np.arange(np.datetime64(first), np.datetime64(last) + day) for first, last in at_risk]
    days = np.unique(np.concatenate([np.zeros(0, dtype="datetime64[D]"), *spans]))
    seen = np.asarray(flares).astype("datetime64[D]")
    risk = np.bincount(place_of_day(pd.DatetimeIndex(days)), minlength=DAYS_IN_LEAP_YEAR)
    return flare_calendar(seen[np.isin(seen, days)], at_risk=risk.astype(float))

"""Whether one dog's flares keep to a season, or come all year round.

All year round is a reason to look again at food, mites and fleas before anything is said of pollen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

import numpy as np
import pandas as pd

from forecast.visits.counting.episodes import FLARE_VISIT, with_roles
from models.culprits import FlareCalendar, flare_calendar
from models.culprits.flare_calendar import DAYS_IN_LEAP_YEAR, place_of_day

Span = tuple[date, date]  # first and last day


def flare_pattern(
    itch_visits: Sequence[date], at_risk: Iterable[Span], *, flare_free_days: int
) -> FlareCalendar:
    """Tell whether a dog's flares keep to a part of the year.

    Parameters
    ----------
    itch_visits
        Days of all its itch-flare visits; the first of each episode counts.
    at_risk
        Spans in which the dog was under the practice's eyes and known not to be covered. Flares
        outside them do not count.
    flare_free_days
        Those of the case definition.
    """
    seen = pd.DataFrame(
        {"dog": "", "date": pd.to_datetime(list(itch_visits)), "kind": "itch flare"}
    )
    marked = with_roles(seen, flare_free_days=flare_free_days)
    flares = marked.loc[marked["role"] == FLARE_VISIT, "date"]
    spans = [pd.date_range(first, last, freq="D") for first, last in at_risk]
    days = (
        pd.DatetimeIndex(np.unique(np.concatenate([s.values for s in spans])))
        if spans
        else pd.DatetimeIndex([])
    )
    risk = np.bincount(place_of_day(days), minlength=DAYS_IN_LEAP_YEAR).astype(float)
    return flare_calendar(flares[flares.isin(days)].to_numpy(), at_risk=risk)

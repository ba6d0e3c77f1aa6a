"""The share of a region's atopic dogs that were under a working therapy, week by week.

A dog counts as atopic from the day of that fact, of its first itch-flare visit or of its first
therapy, whichever is first, unless the newest fact says that it is not. Its cover on a day is yes
(a dose given, and still working), not known (dispensed, not seen given; a course whose end is not
on record) or no. A day on which cover is not known counts neither for nor against.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.rules import VisitError
from models.weeks import DAYS_IN_WEEK

_ABSENT, _NO, _NOT_KNOWN, _YES = -1, 0, 1, 2


def atopic_dogs(facts: pd.DataFrame, visits: pd.DataFrame, therapies: pd.DataFrame) -> pd.DataFrame:
    """Return, for each dog that counts as atopic, from which day (`since`).

    Left out are dogs that were found not atopic, and those whose history of therapies is known to
    be incomplete (`therapy_history` = no): their cover is not known.
    """
    newest = facts.sort_values("date").drop_duplicates(["dog", "kind"], keep="last")
    is_no = newest["word"] == "no"
    left_out = newest.loc[is_no & newest["kind"].isin(("atopic_dermatitis", "therapy_history"))]
    said = facts.loc[(facts["kind"] == "atopic_dermatitis") & (facts["word"] == "yes")]
    flares = visits.loc[visits["kind"] == "itch flare"]
    signs = pd.concat([frame[["dog", "date"]] for frame in (said, flares, therapies)])
    since = signs.groupby("dog")["date"].min()
    return pd.DataFrame({"since": since.loc[~since.index.isin(left_out["dog"])]})


def covered_share(
    weeks: pd.DatetimeIndex,
    *,
    regions: Sequence[str],
    atopic: pd.DataFrame,
    therapies: pd.DataFrame,
    cover_days: Mapping[str, int | None],
) -> NDArray[np.float64]:
    """Return the covered share of known dog-days [region, week]; NaN where none is known.

    Parameters are the dogs (index dog; columns since, until, region), their therapy events, and
    for each therapy how many days a dose covers from the day it is given (from its last day, for a
    course); None for a course that covers until it ends. Before a region's first therapy on record
    nothing is known of cover there.
    """
    _refuse_unknown_therapies(therapies, cover_days)
    share = np.full((len(regions), len(weeks)), np.nan)
    if len(weeks) == 0:
        return share
    n_days = len(weeks) * DAYS_IN_WEEK
    effects = _effects(therapies, weeks[0], n_days, cover_days)
    since = _day_numbers(atopic["since"], weeks[0])
    until = _day_numbers(atopic["until"], weeks[0]).fillna(n_days)
    for number, region in enumerate(regions):
        dogs = atopic.index[atopic["region"] == region]
        own = effects.loc[effects.index.isin(dogs)]
        if own.empty:
            continue
        states = [_states(own, d, (since[d], until[d]), n_days) for d in dogs]
        yes = _per_week(np.stack(states) == _YES)
        known = yes + _per_week(np.stack(states) == _NO)
        on_record = np.arange(len(weeks)) * DAYS_IN_WEEK >= own["first"].min()
        np.divide(yes, known, out=share[number], where=(known > 0) & on_record)
    return share


def _effects(
    therapies: pd.DataFrame,
    origin: pd.Timestamp,
    n_days: int,
    cover_days: Mapping[str, int | None],
) -> pd.DataFrame:
    """Return what each event says of its dog's cover: level, from day `first` to before `end`."""
    numbers = {name: np.nan if days is None else float(days) for name, days in cover_days.items()}
    days = therapies["therapy"].map(numbers).astype(float)
    open_ended = days.isna() & therapies["until"].isna()
    last = _day_numbers(therapies["until"].fillna(therapies["date"]), origin)
    no_response = np.array([answer is False for answer in therapies["responded"]], dtype=bool)
    refused = (therapies["status"] == "declined") | no_response
    unsure = (therapies["status"] == "dispensed") | open_ended
    return pd.DataFrame(
        {
            "level": np.select([refused, unsure], [_NO, _NOT_KNOWN], _YES),
            "first": _day_numbers(therapies["date"], origin),
            "end": (last + days.fillna(1)).mask(open_ended, n_days),
        }
    ).set_axis(therapies["dog"], axis=0)


def _states(
    effects: pd.DataFrame, dog: str, present: tuple[float, float], n_days: int
) -> NDArray[np.int8]:
    state = np.full(n_days, _NO, dtype=np.int8)
    if dog in effects.index:
        for level, first, end in effects.loc[[dog]].to_numpy(dtype=np.int64):
            span = state[max(first, 0) : max(end, 0)]
            np.maximum(span, level, out=span)
    state[: max(0, int(present[0]))] = _ABSENT
    state[max(0, int(present[1])) :] = _ABSENT
    return state


def _day_numbers(days: pd.Series, origin: pd.Timestamp) -> pd.Series:
    return (days - origin).dt.days


def _per_week(marked: NDArray[np.bool_]) -> NDArray[np.int64]:
    total: NDArray[np.int64] = marked.reshape(len(marked), -1, DAYS_IN_WEEK).sum(axis=(0, 2))
    return total


def _refuse_unknown_therapies(
    therapies: pd.DataFrame, cover_days: Mapping[str, int | None]
) -> None:
    unknown = sorted(set(therapies["therapy"]) - set(cover_days))
    if unknown:
        raise VisitError(
            f"the records hold the therapy {unknown[0]!r}, and how long it covers was not given "
            f"(given: {', '.join(cover_days) or 'none'}); give its days, or None for a course"
        )

"""The share of a region's atopic dogs that were under a working therapy, week by week.

A dog counts as atopic from the day of that fact, of its first itch-flare visit or of its first
therapy, whichever is first, unless the newest fact says that it is not. Its cover on a day is yes
(a dose given, and still working), not known (dispensed, not seen given; a course whose end is not
on record, from its start on, for as long as such a course may run; a therapy of which it is not
known) or no. A day on which cover is not known counts neither for nor against: not in a region's
share, and not in a dog's own history (`forecast.dosing`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.rules import VisitError
from models.weeks import DAYS_IN_WEEK

_ABSENT, _NO, _NOT_KNOWN, _YES = -1, 0, 1, 2


@dataclass(frozen=True)
class CoverRule:
    """How many days a therapy covers from the day a dose is given, or from a course's last day.

    Where `is_known` is False, what a dose spares one dog is not known for those days. A course
    without an end on record may run for `open_days`; None where it may run on for ever.
    """

    days: int
    is_course: bool
    is_known: bool = True
    open_days: int | None = None


def end_not_known(until: Any, *, is_course: Any) -> Any:
    """Say of which courses no end is on record, so that their cover is not known from the start on.

    `until` (a day, None or NaT) and `is_course` (True or False) are one each or a column each.
    """
    return pd.isna(until) & is_course


def days_not_uncovered(
    therapies: pd.DataFrame, rules: Mapping[str, CoverRule]
) -> dict[str, list[tuple[pd.Timestamp, pd.Timestamp]]]:
    """Return, by dog, the spans in which it was under cover or its cover is not known.

    First day and the day after the last one, NaT where no end is known. `therapies` has the columns
    dog, therapy, date, until, status, responded; `rules` says how long each covers.
    """
    told = spans_not_uncovered(therapies, rules)
    spans: dict[str, list[tuple[pd.Timestamp, pd.Timestamp]]] = {}
    for dog, first, end in zip(told["dog"], told["first"], told["end"], strict=True):
        spans.setdefault(str(dog), []).append((first, end))
    return spans


def spans_not_uncovered(therapies: pd.DataFrame, rules: Mapping[str, CoverRule]) -> pd.DataFrame:
    """Return the same as a table: dog, first, end, and known, False where cover is not known."""
    effects = _effects(therapies, rules).reset_index(names="dog")
    told = effects[effects["level"] != _NO].assign(known=effects["level"] == _YES)
    return told[["dog", "first", "end", "known"]].reset_index(drop=True)


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
    rules: Mapping[str, CoverRule],
) -> NDArray[np.float64]:
    """Return the covered share of known dog-days [region, week]; NaN where none is known.

    Parameters are the dogs (index dog; columns since, until, region; one that moves is there once
    for each span), their therapy events, and for each therapy how long it covers. Before a region's
    first therapy on record nothing is known of cover there.
    """
    found = _effects(therapies, rules)
    share = np.full((len(regions), len(weeks)), np.nan)
    if len(weeks) == 0:
        return share
    n_days = len(weeks) * DAYS_IN_WEEK
    effects = found.assign(
        first=_day_numbers(found["first"], weeks[0]),
        end=_day_numbers(found["end"], weeks[0]).fillna(n_days),
    )
    since = _day_numbers(atopic["since"], weeks[0])
    until = _day_numbers(atopic["until"], weeks[0]).fillna(n_days)
    for number, region in enumerate(regions):
        here = (atopic["region"] == region).to_numpy()
        dogs = atopic.index[here]
        own = effects.loc[effects.index.isin(dogs)]
        if own.empty:
            continue
        spans = zip(dogs, since[here], until[here], strict=True)
        states = [_states(own, dog, (first, end), n_days) for dog, first, end in spans]
        yes = _per_week(np.stack(states) == _YES)
        known = yes + _per_week(np.stack(states) == _NO)
        on_record = np.arange(len(weeks)) * DAYS_IN_WEEK >= own["first"].min()
        np.divide(yes, known, out=share[number], where=(known > 0) & on_record)
    return share


def _effects(therapies: pd.DataFrame, rules: Mapping[str, CoverRule]) -> pd.DataFrame:
    """Return what each event says of its dog's cover: level, from `first` to before `end`.

    Index dog. `end` is NaT where a course has no end on record and may run on for ever.
    """
    _refuse_unknown_therapies(therapies, rules)
    days = therapies["therapy"].map({name: rule.days for name, rule in rules.items()}).astype(float)
    is_course = therapies["therapy"].map({name: rule.is_course for name, rule in rules.items()})
    is_course = is_course.astype(bool)
    open_ended = end_not_known(therapies["until"], is_course=is_course)
    open_days = therapies["therapy"].map(
        {name: np.nan if rule.open_days is None else rule.open_days for name, rule in rules.items()}
    )
    longest = therapies["date"] + pd.to_timedelta(open_days.astype(float), unit="D")
    last = therapies["until"].fillna(longest).where(is_course, therapies["date"])
    no_response = np.array([answer is False for answer in therapies["responded"]], dtype=bool)
    refused = (therapies["status"] == "declined") | no_response
    unsure = (therapies["status"] == "dispensed") | open_ended
    unsure |= ~therapies["therapy"].map({n: rule.is_known for n, rule in rules.items()}).astype(
        bool
    )
    return pd.DataFrame(
        {
            "level": np.select([refused, unsure], [_NO, _NOT_KNOWN], _YES),
            "first": therapies["date"],
            "end": last + pd.to_timedelta(days, unit="D"),
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


def _refuse_unknown_therapies(therapies: pd.DataFrame, rules: Mapping[str, CoverRule]) -> None:
    unknown = sorted(set(therapies["therapy"]) - set(rules))
    if unknown:
        raise VisitError(
            f"the records hold the therapy {unknown[0]!r}, and how long it covers was not given "
            f"(given: {', '.join(rules) or 'none'}); give its rule"
        )

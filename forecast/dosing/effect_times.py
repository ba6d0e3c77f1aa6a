"""How long a dose holds in this practice's dogs, from its records; and what may be planned on it.

Without itch scores there is the label's range alone, and it says so. No effect beyond the longest
measured against placebo is planned on without a vet's word.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.dosing.dog_record import GIVEN, DogRecord
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.dog_season import days_ahead, heaviest_weeks
from forecast.dosing.rules import Rules, shipped_rules
from forecast.dosing.therapies import (
    CoverCurve,
    DosingError,
    Therapy,
    days_rule,
    rule,
    therapies,
)
from forecast.records import care
from forecast.records.engine import Records
from forecast.records.vets_words import KeptWord
from forecast.visits.counting.cover import spans_not_uncovered
from models.effect_time import (
    EffectTime,
    FollowUps,
    Population,
    effect_time,
    fit_population,
    follow_ups,
    label_range,
)
from models.effect_time.dog import RatePosterior
from models.effect_time.likelihood import calendar_rates
from models.weeks import DAYS_IN_WEEK, week_of_year, week_range

RISK_COLUMNS = ("dog", "first", "end")


@dataclass(frozen=True)
class VetsWord:
    """A vet's word that a dog's doses may be planned to hold longer than was ever measured."""

    vet: str
    reason: str
    days: int
    signed: date | None = None

    @property
    def sentence(self) -> str:
        """What each plan says of it; the reason, which may name somebody, stands apart."""
        signed = f", signed {self.signed}" if self.signed else ""
        return (
            f"{self.vet} gave their word{signed} that a dose may be planned to hold up to day "
            f"{self.days} in this dog where its own itch scores show it, beyond day "
            f"{days_rule('plan.longest_cover')}, the longest effect measured against placebo."
        )

    def __post_init__(self) -> None:
        if not self.vet.strip() or not self.reason.strip():
            raise DosingError(
                f"a cover of {self.days} days was asked with the word of {self.vet or 'nobody'!r} "
                f"and the reason {self.reason!r}; both a named vet and a reason are needed; give "
                "them"
            )


def word_of(kept: KeptWord | None) -> VetsWord | None:
    """Return a vet's word as the records kept it."""
    return None if kept is None else VetsWord(kept.vet, kept.reason, kept.days, kept.signed)


@dataclass(frozen=True)
class EffectTimes:
    """How long doses of one therapy hold in a practice; `population` None where it is not known."""

    therapy: Therapy
    seen: FollowUps
    population: Population | None
    calendar_rate: NDArray[np.float64]

    def of(self, dog: str, *, word: VetsWord | None = None) -> EffectTime:
        """Return one dog's effect time, no longer than measured unless a vet gave their word.

        The label's range where none of its own doses tells anything, whatever the others told.
        """
        cover, longest = self.therapy.cover, days_rule("plan.longest_cover")
        cap = float(max(longest, word.days) if word else longest)
        label = (cover.full_until, cover.ends_at)
        if self.population is None or self.seen.of(dog).dog.size == 0:
            return label_range(*label, cap=cap)
        return effect_time(
            self.seen,
            dog,
            self.population,
            label=label,
            cap=cap,
            calendar_rate=self.calendar_rate,
        )


def effect_times(
    records: Records,
    therapy: Therapy,
    risk: pd.DataFrame,
    *,
    today: date,
    rules: Rules | None = None,
) -> EffectTimes:
    """Learn how long doses of a therapy hold, from all doses and scores on record by a day.

    Parameters
    ----------
    risk
        Each dog's own risk weeks of the past as spans: ``dog``, ``first``, ``end``; see
        `risk_spans`.
    rules
        Those that the practice goes by, which say how long other therapies may have calmed a dog;
        those shipped, where none are given.
    """
    told = care.therapies(records)
    told = told[told["date"] <= pd.Timestamp(today)]
    own = (told["therapy"] == therapy.id) & (told["status"] == GIVEN)
    scores = care.scores(records)
    scores = scores[scores["scale"] == care.PVAS]  # a spoken 0-10 is no PVAS
    others = spans_not_uncovered(
        told[told["therapy"] != therapy.id], (rules or shipped_rules()).cover
    )
    seen = follow_ups(
        told.loc[own, ["dog", "date", "reason"]],
        scores.loc[scores["date"] <= pd.Timestamp(today), ["dog", "date", "pvas"]],
        risk,
        relapse_score=rule("readiness.needs_care_score"),
        known_on=today,
        blind=others,
    )
    return EffectTimes(therapy, seen, fit_population(seen), calendar_rates(seen))


def past_risk_weeks(
    dogs: Sequence[DogRecord],
    therapy: Therapy,
    risk_of: Callable[[DogRecord], DogRisk | None],
    *,
    today: date,
) -> pd.DataFrame:
    """Return the past risk weeks of every dog that may tell how long a dose holds.

    That is one with doses given and scores on the line, whose therapies are on record as a whole:
    what else may have calmed it must be known.

    Parameters
    ----------
    risk_of
        A dog's risk of the weeks ahead, None where its region has none.

    Returns
    -------
    pandas.DataFrame
        As `risk_spans` gives them.
    """
    ahead, first = dict[str, Sequence[date]](), today
    for dog in dogs:
        if dog.therapies is None:
            continue
        given = [e.given for e in dog.doses(therapy.id, today) if e.status == GIVEN]
        if not given or not any(score.scale == care.PVAS for score in dog.scores):
            continue
        risk = risk_of(dog)
        if risk is None:
            continue
        start, daily, _ = days_ahead(risk, today)
        if np.isfinite(daily).all():
            ahead[dog.id], first = heaviest_weeks(start, daily), min(first, given[0])
    return risk_spans(ahead, since=first, until=today)


def risk_spans(
    weeks_ahead: Mapping[str, Sequence[date]], *, since: date, until: date
) -> pd.DataFrame:
    """Return dogs' risk weeks of the past: the weeks of the year that are risk weeks ahead.

    Parameters
    ----------
    weeks_ahead
        Each dog's risk weeks of the year ahead, by their Mondays (`dog_season.risk_weeks`).
    since, until
        First and last day of the past to be covered.

    Returns
    -------
    pandas.DataFrame
        ``dog``, ``first``, ``end`` (the day after the last), a row a run of weeks.
    """
    n_weeks = (until - since).days // DAYS_IN_WEEK + 2
    past = week_range(since, n_weeks)
    past = past[past <= pd.Timestamp(until)]
    part, mondays = week_of_year(past), past.values.astype("datetime64[D]")
    rows = []
    for dog, weeks in weeks_ahead.items():
        at_risk = np.isin(part, week_of_year(pd.DatetimeIndex(list(weeks))))
        turns = np.flatnonzero(np.diff(at_risk, prepend=False, append=False))
        ends = mondays[turns[1::2] - 1] + np.timedelta64(DAYS_IN_WEEK, "D")
        rows += [(dog, first, end) for first, end in zip(mondays[turns[::2]], ends, strict=True)]
    spans = pd.DataFrame(rows, columns=list(RISK_COLUMNS))
    return spans.astype({"first": "datetime64[ns]", "end": "datetime64[ns]"})


def unlike_the_record(recorded: bool | None, effect: EffectTime) -> str:
    """Say where a dog's own scores after doses and what is recorded of its response differ.

    `recorded` is the response last recorded, None where none is. "" where both say the same, or
    the scores say nothing.
    """
    if effect.rate is None:
        return ""
    responds = effect.holds_until() is not None
    told = "make one likelier than not" if responds else "speak against one"
    if recorded is None and responds:
        return (
            f"whether it responded was not recorded, but its own itch scores after doses {told}: "
            "record it with the dose, if the vet agrees"
        )
    if recorded is None or recorded is responds:
        return ""
    said = "a response" if recorded else "no response"
    return (
        f"{said} was recorded last, but its own itch scores after doses {told}: the vet settles "
        "which holds, and records it with the dose"
    )


def own_cover(effect: EffectTime, usual: CoverCurve, *, by_word: int = 0) -> CoverCurve | None:
    """Return the cover of a dose in one dog, None if it probably does not respond.

    Full until the day to which it may be planned, ended on the last day of its range, or where the
    usual cover ends if that is sooner, or on the day that a vet gave their word for; the usual
    cover where scores do not tell. The therapy's onset stays.
    """
    if effect.rate is None:
        return usual
    planned = effect.holds_until()
    if planned is None:
        return None
    latest = max(usual.ends_at, by_word)
    ends_at = min(max(int(effect.longest), int(planned) + 1), latest)
    if ends_at <= usual.onset:
        return None
    full_until = max(usual.onset, min(int(planned), ends_at - 1))
    return CoverCurve(usual.onset, full_until, ends_at, by_word)


def planned_cover(effect: EffectTime, therapy: Therapy) -> CoverCurve | None:
    """Return the cover that a dose in one dog is planned on, None if it probably does not respond.

    Its own, but no longer than a practice that tightened its rules allows, whatever a vet's word.
    """
    usual, shipped = therapy.cover, therapies()[therapy.id].cover
    is_by_word = effect.cap > days_rule("plan.longest_cover") and usual.ends_at >= shipped.ends_at
    own = own_cover(effect, usual, by_word=int(effect.cap) if is_by_word else 0)
    if own is None or usual.full_until >= shipped.full_until:
        return own
    return replace(own, full_until=min(own.full_until, usual.full_until))


# ----------------------------------------------------------------------------- kept with a plan
def as_kept(effect: EffectTime) -> dict[str, Any]:
    """Return an effect time as plain values, as a plan keeps them."""
    return asdict(effect)


def of_kept(values: Mapping[str, Any]) -> EffectTime:
    """Return the effect time that a plan kept."""
    rate = values.get("rate")
    return EffectTime(**{**values, "rate": None if rate is None else RatePosterior(**rate)})

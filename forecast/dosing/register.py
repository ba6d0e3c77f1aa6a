"""What the records say of each dog, as the dosing desk wants it; and the region's risk per dog.

Nothing is filled in: a fact without a row, a word that is neither yes nor no, a response that was
not recorded stay *not known*.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.dosing.dog_record import (
    DISPENSED,
    GIVEN,
    AdverseReaction,
    DogRecord,
    ItchScore,
    Medicine,
    TherapyEvent,
    Vaccination,
)
from forecast.dosing.dog_risk import DogHistory, DogRisk, dog_risk
from forecast.dosing.known_facts import KnownFacts, known_facts
from forecast.dosing.rules import Rules, shipped_rules
from forecast.records import care, dogs, visits
from forecast.records.branches import branches
from forecast.records.bulk import undisturbed
from forecast.records.engine import Records
from forecast.visits.counting.cover import CoverRule, days_not_uncovered
from forecast.visits.counting.placing import BRANCH_REGION, last_branches, region_of
from models.flare.cover import efficacy_mean

ATOPIC, NOT_KNOWN = "atopic_dermatitis", "not known"
NO_FACTS = KnownFacts()
GONE = ("dead", "rehomed", "moved", "left")
Span = tuple[date, date]  # first and last day
_Value = TypeVar("_Value")


@dataclass(frozen=True)
class Register:
    """All dogs by id, with the days between which each was under the practice's eyes.

    `uncovered` holds the spans of those days in which a dog is known not to have been under cover.
    `gone` says why a dog is no longer the practice's: it is dead, was rehomed, moved or left.
    """

    dogs: Mapping[str, DogRecord]
    observed: Mapping[str, Span]
    uncovered: Mapping[str, tuple[Span, ...]]
    gone: Mapping[str, str]


def read_register(
    records: Records,
    *,
    today: date,
    unknown_home: str = BRANCH_REGION,
    dog_id: str | None = None,
    rules: Rules | None = None,
) -> Register:
    """Read every dog, or one, as it was known on a day.

    `rules` are those that the practice goes by (those shipped, where none are given): they say how
    long a dose covers. `unknown_home` says whether the region of the branch that sees a dog stands
    in for a home that is not known, see `forecast.visits.counting.placing`.
    """
    with undisturbed():
        return _read(records, today, unknown_home, dog_id, (rules or shipped_rules()).cover)


def _read(
    records: Records,
    today: date,
    unknown_home: str,
    dog_id: str | None,
    covers: Mapping[str, CoverRule],
) -> Register:
    seen = _until(visits.visits(records, dog_id=dog_id), today)
    flares = _by_dog((dog, day) for dog, day, kind in _rows(seen, "kind") if kind == "itch flare")
    facts = known_facts(records, today=today, dog_id=dog_id)
    told = _until(care.therapies(records, dog_id=dog_id), today)
    events = _by_dog(
        (dog, _event((str(kind), str(status)), day, until, responded))
        for dog, day, kind, until, status, responded in _rows(
            told, "therapy", "until", "status", "responded"
        )
        if status in (GIVEN, DISPENSED)
    )
    not_uncovered = days_not_uncovered(told, covers)
    scores = _by_dog(
        (dog, ItchScore(float(pvas), day, str(scale)))
        for dog, day, pvas, scale in _rows(
            _until(care.scores(records, dog_id=dog_id), today), "pvas", "scale"
        )
    )
    others = _others(records, today, dog_id)
    days = _by_dog((dog, day) for dog, day, _ in _rows(seen, "kind"))
    of_branch = {branch.id: branch.region_id for branch in branches(records).values()}
    found, observed, uncovered, gone = {}, {}, {}, {}
    last_branch = last_branches(seen)
    asked = [dogs.dog(records, dog_id, on=today)] if dog_id else dogs.dogs(records, on=today)
    for dog in asked:
        if dog.status in GONE:
            gone[dog.id] = dog.status
        branch = dog.branch_id or str(last_branch.get(dog.id, ""))
        found[dog.id] = _record(
            dog,
            facts.get(dog.id, NO_FACTS),
            events=tuple(events.get(dog.id, ())),
            scores=tuple(scores.get(dog.id, ())),
            flares=tuple(sorted(flares.get(dog.id, ()))),
            # as in the counts: where it lives, else where it is seen
            region=region_of(dog.home, of_branch.get(branch), unknown_home),
        )
        if dog.id in others:
            found[dog.id] = replace(found[dog.id], **others[dog.id])
        if dog.id in days:
            # an active dog that is not seen has no flare; of the others nothing is known after
            last = today if dog.status == "active" else max(days[dog.id])
            observed[dog.id] = (min(days[dog.id]), last)
            uncovered[dog.id] = spans_without(observed[dog.id], not_uncovered.get(dog.id, []))
    return Register(found, observed, uncovered, gone)


def _others(records: Records, today: date, dog_id: str | None) -> dict[str, dict[str, Any]]:
    """Return what else is on record of dogs: reactions, vaccinations, medicines, allergy tests."""
    found: dict[str, dict[str, Any]] = {}

    def keep(name: str, values: Mapping[str, Sequence[Any]]) -> None:
        for dog, own in values.items():
            found.setdefault(dog, {})[name] = tuple(own)

    lifted = _by_dog(
        (dog, (str(therapy), day))
        for dog, day, therapy in _rows(
            _until(care.releases(records, dog_id=dog_id), today), "therapy"
        )
    )
    told = _rows(_until(care.reactions(records, dog_id=dog_id), today), "therapy", "reported")
    keep(
        "reactions",
        _by_dog(
            (dog, AdverseReaction(str(of), day, _answer(reported), _lifted(lifted, dog, of, day)))
            for dog, day, of, reported in told
        ),
    )
    keep(
        "vaccinations",
        _by_dog(
            (dog, Vaccination(day, _answer(live)))
            for dog, day, live in _rows(care.vaccinations(records, dog_id=dog_id), "live")
        ),
    )
    keep(
        "medicines",
        _by_dog(
            (dog, Medicine(str(kind), day, until))
            for dog, day, kind, until in _rows(
                _until(care.medicines(records, dog_id=dog_id), today), "kind", "until"
            )
        ),
    )
    tests = _until(care.allergy_tests(records, dog_id=dog_id), today)
    for dog, day in _rows(tests[tests["result"] != NOT_KNOWN]):
        own = found.setdefault(str(dog), {})
        own["allergy_tested"] = max(day, own.get("allergy_tested", day))
    return found


def _until(frame: pd.DataFrame, today: date) -> pd.DataFrame:
    return frame[frame["date"] <= pd.Timestamp(today)]


def _rows(frame: pd.DataFrame, *columns: str) -> Iterator[tuple[Any, ...]]:
    """Yield dog, day and the columns of each row that names a dog."""
    kept = frame[frame["dog"].notna()]
    return zip(kept["dog"], *(_values(kept[c]) for c in ("date", *columns)), strict=True)


def _values(column: pd.Series) -> list[Any]:
    """Return a column's values, a day as a date, None where there is none."""
    if column.dtype.kind == "M":
        return list(column.to_numpy().astype("datetime64[D]").tolist())
    return column.tolist()


def _by_dog(pairs: Iterable[tuple[Any, _Value]]) -> dict[str, list[_Value]]:
    found: dict[str, list[_Value]] = {}
    for dog, value in pairs:
        found.setdefault(str(dog), []).append(value)
    return found


def _event(kind: tuple[str, str], given: date, until: Any, responded: Any) -> TherapyEvent:
    therapy_id, status = kind
    return TherapyEvent(
        therapy_id,
        given,
        until,
        _answer(responded),
        status,
    )


def _lifted(
    lifted: Mapping[str, Sequence[tuple[str, date]]], dog: Any, therapy: Any, seen: date
) -> date | None:
    """Return the day on which a vet first let a class be given again after a reaction to it."""
    signed = [day for of, day in lifted.get(str(dog), ()) if of == therapy and day >= seen]
    return min(signed, default=None)


def _answer(value: Any) -> bool | None:
    return None if value is None or value != value else bool(value)


def _record(
    dog: dogs.Dog,
    facts: KnownFacts,
    *,
    events: tuple[TherapyEvent, ...],
    scores: tuple[ItchScore, ...],
    flares: tuple[date, ...],
    region: str | None,
) -> DogRecord:
    known = facts.history_asked is not None
    return DogRecord(
        id=dog.id,
        species=dog.species,
        birth_date=dog.birth_date,
        weight_kg=facts.weight_kg,
        weighed=facts.weighed,
        sex=dog.sex,
        neutered=dog.neutered,
        region=region,
        branch=dog.branch_id,
        findings=facts.findings,
        therapies=events if known else None,
        partly_known=() if known else events,
        history_asked=facts.history_asked,
        flare_visits=flares,
        scores=scores,
        flare_weeks_per_dose=facts.price,
        price_asked=facts.price_asked,
    )


@dataclass(frozen=True)
class RegionPressure:
    """Flares per atopic dog and week without cover: past `(week,)`, ahead `(draw, week)`."""

    past_weeks: NDArray[np.datetime64]
    past: NDArray[np.float64]
    weeks: NDArray[np.datetime64]
    ahead: NDArray[np.float64]


def region_pressure(issued: xr.Dataset, region: str, register: Register) -> RegionPressure:
    """Spread a region's pressure over the dogs that carry it: the atopic ones under observation."""
    one = issued.sel(region=region)
    past_weeks = one["past_week"].values.astype("datetime64[D]")
    spans = [
        span
        for dog, span in register.observed.items()
        if register.dogs[dog].region == region and is_atopic(register.dogs[dog])
    ]
    carried = np.array([_n_observed(spans, week) for week in past_weeks], dtype=float)
    shown = 1.0 - efficacy_mean() * one["covered_share_past"].fillna(0.0).values
    carried[carried == 0] = np.nan  # flares of a week without dogs are spread over nobody
    past = one["flare_visits_past"].values / shown / carried
    now = max(_n_observed(spans, np.datetime64(str(issued.attrs["origin"]))), 1)
    ahead = one["pressure"].transpose("draw", "week").values / now
    return RegionPressure(past_weeks, past, one["week"].values.astype("datetime64[D]"), ahead)


def is_atopic(dog: DogRecord) -> bool:
    """Say, as the counts do, whether a dog counts as atopic: by that fact, a flare or a therapy."""
    said = dog.finding(ATOPIC).present
    treated = dog.therapies or dog.partly_known
    return said is not False and bool(said or dog.flare_visits or treated)


def _n_observed(spans: list[Span], week: np.datetime64) -> int:
    monday = pd.Timestamp(week).date()
    return sum(first <= monday <= last for first, last in spans)


def history_of(dog: DogRecord, register: Register) -> DogHistory:
    """Return a dog's flares, and the days on which it is known not to have been covered."""
    return DogHistory(dog.flare_visits, register.uncovered.get(dog.id, ()))


def risk_of(
    dog: DogRecord, register: Register, pressure: RegionPressure, *, own: bool = True
) -> DogRisk:
    """Return one dog's weekly risk, from the days on which it is known not to have been covered.

    With `own` False it is that of its region, whatever the dog's own flares say.
    """
    known = np.isfinite(pressure.past)
    return dog_risk(
        history_of(dog, register),
        pressure.past[known],
        past_weeks=pressure.past_weeks[known],
        pressure=pressure.ahead,
        weeks=pressure.weeks,
        prior_strength=None if own else float("inf"),
    )


def spans_without(
    span: Span, taken: Iterable[tuple[pd.Timestamp, pd.Timestamp]]
) -> tuple[Span, ...]:
    """Cut spans, each up to the day before its end or open, out of a span of days."""
    open_from, left = span[0], []
    for first, end in sorted(taken, key=lambda pair: pair[0]):
        left.append((open_from, min(first.date() - timedelta(days=1), span[1])))
        beyond = span[1] + timedelta(days=1)
        open_from = max(open_from, beyond if pd.isna(end) else end.date())
    left.append((open_from, span[1]))
    return tuple((a, b) for a, b in left if a <= b)

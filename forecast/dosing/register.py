"""What the records say of each dog, as the dosing desk wants it; and the region's risk per dog.

Nothing is filled in: a fact without a row, a word that is neither yes nor no, a response that was
not recorded stay *not known*.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.dosing.dog_record import DogRecord, Finding, ItchScore, TherapyEvent
from forecast.dosing.dog_risk import DogHistory, DogRisk, dog_risk
from forecast.dosing.therapies import therapy
from forecast.records import care, dogs, visits
from forecast.records.branches import branches
from forecast.records.engine import Records
from forecast.regions import Branch
from models.flare.cover import efficacy_mean

WEIGHT, HISTORY, ATOPIC = "weight_kg", "therapy_history", "atopic_dermatitis"
GIVEN, YES, NO = "given", "yes", "no"
GONE = ("dead", "rehomed", "moved", "left")
_Fact = tuple[date, str, Any, Any]  # day, kind, word, number
_Value = TypeVar("_Value")


@dataclass(frozen=True)
class Register:
    """All dogs by id, with the days between which each was under the practice's eyes.

    `gone` says why a dog is no longer the practice's: it is dead, was rehomed, moved or left.
    """

    dogs: Mapping[str, DogRecord]
    observed: Mapping[str, tuple[date, date]]
    gone: Mapping[str, str]


def read_register(records: Records, *, today: date) -> Register:
    """Read every dog as it was known on a day."""
    seen = _until(visits.visits(records), today)
    flares = _by_dog((dog, day) for dog, day, kind in _rows(seen, "kind") if kind == "itch flare")
    known_facts = _by_dog(
        (dog, (day, str(kind), word, number))
        for dog, day, kind, word, number in _rows(
            _until(care.facts(records), today), "kind", "word", "number"
        )
    )
    events = _by_dog(
        (dog, _event(str(kind), day, until, responded))
        for dog, day, kind, until, status, responded in _rows(
            _until(care.therapies(records), today), "therapy", "until", "status", "responded"
        )
        if status == GIVEN
    )
    scores = _by_dog(
        (dog, ItchScore(float(pvas), day))
        for dog, day, pvas in _rows(_until(care.scores(records), today), "pvas")
    )
    days = _by_dog((dog, day) for dog, day, _ in _rows(seen, "kind"))
    of_branch = {branch.id: branch.region_id for branch in branches(records).values()}
    found, observed, gone = {}, {}, {}
    for dog in dogs.dogs(records):
        if dog.status in GONE:
            gone[dog.id] = dog.status
        facts = sorted(known_facts.get(dog.id, []), key=lambda fact: fact[0])
        found[dog.id] = _record(
            dog,
            facts,
            events=tuple(events.get(dog.id, ())),
            scores=tuple(scores.get(dog.id, ())),
            flares=tuple(sorted(flares.get(dog.id, ()))),
            # as in the counts: where it lives, else where it is seen
            region=dog.home_region or of_branch.get(dog.branch_id or ""),
        )
        if dog.id in days:
            # an active dog that is not seen has no flare; of the others nothing is known after
            last = today if dog.status == "active" else max(days[dog.id])
            observed[dog.id] = (min(days[dog.id]), last)
    return Register(found, observed, gone)


def _until(frame: pd.DataFrame, today: date) -> pd.DataFrame:
    return frame[frame["date"] <= pd.Timestamp(today)]


def _rows(frame: pd.DataFrame, *columns: str) -> Iterator[tuple[Any, ...]]:
    """Yield dog, day and the columns of each row that names a dog."""
    kept = frame[frame["dog"].notna()]
    return zip(kept["dog"], kept["date"].dt.date, *(kept[c] for c in columns), strict=True)


def _by_dog(pairs: Iterable[tuple[Any, _Value]]) -> dict[str, list[_Value]]:
    found: dict[str, list[_Value]] = {}
    for dog, value in pairs:
        found.setdefault(str(dog), []).append(value)
    return found


def _event(therapy_id: str, given: date, until: Any, responded: Any) -> TherapyEvent:
    return TherapyEvent(
        therapy_id,
        given,
        None if pd.isna(until) else pd.Timestamp(until).date(),
        None if pd.isna(responded) else bool(responded),
    )


def _record(
    dog: dogs.Dog,
    facts: list[_Fact],
    *,
    events: tuple[TherapyEvent, ...],
    scores: tuple[ItchScore, ...],
    flares: tuple[date, ...],
    region: str | None,
) -> DogRecord:
    """Put one dog together from its facts in the order of their days; the last of a kind counts."""
    findings: dict[str, Finding] = {}
    weight, weighed, history_known = None, None, False
    for day, kind, word, number in facts:
        if kind == WEIGHT:
            weight, weighed = float(number), day
        elif kind == HISTORY:
            history_known = word == YES
        else:
            findings[kind] = Finding({YES: True, NO: False}.get(word), day)
    return DogRecord(
        id=dog.id,
        species=dog.species,
        birth_date=dog.birth_date,
        weight_kg=weight,
        weighed=weighed,
        sex=dog.sex,
        neutered=dog.neutered,
        region=region,
        branch=dog.branch_id,
        findings=findings,
        therapies=events if history_known else None,
        flare_visits=flares,
        scores=scores,
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
        if register.dogs[dog].region == region and _is_atopic(register.dogs[dog])
    ]
    carried = np.array([_n_observed(spans, week) for week in past_weeks], dtype=float)
    shown = 1.0 - efficacy_mean() * one["covered_share_past"].fillna(0.0).values
    carried[carried == 0] = np.nan  # flares of a week without dogs are spread over nobody
    past = one["flare_visits_past"].values / shown / carried
    now = max(_n_observed(spans, np.datetime64(str(issued.attrs["origin"]))), 1)
    ahead = one["pressure"].transpose("draw", "week").values / now
    return RegionPressure(past_weeks, past, one["week"].values.astype("datetime64[D]"), ahead)


def _is_atopic(dog: DogRecord) -> bool:
    """Say, as the counts do, whether a dog counts as atopic: by that fact, a flare or a therapy."""
    said = dog.finding(ATOPIC).present
    return said is not False and bool(said or dog.flare_visits or dog.therapies)


def _n_observed(spans: list[tuple[date, date]], week: np.datetime64) -> int:
    monday = pd.Timestamp(week).date()
    return sum(first <= monday <= last for first, last in spans)


def risk_of(dog: DogRecord, register: Register, pressure: RegionPressure) -> DogRisk:
    """Return one dog's weekly risk, the days under cover left out of its history."""
    span = register.observed.get(dog.id)
    spans = () if span is None else _uncovered(span, dog)
    known = np.isfinite(pressure.past)
    return dog_risk(
        DogHistory(dog.flare_visits, spans),
        pressure.past[known],
        past_weeks=pressure.past_weeks[known],
        pressure=pressure.ahead,
        weeks=pressure.weeks,
    )


def _uncovered(span: tuple[date, date], dog: DogRecord) -> tuple[tuple[date, date], ...]:
    """Cut the spans under cover out of the span under observation."""
    open_from, spans = span[0], []
    working = [event for event in dog.therapies or () if event.responded is not False]
    for event in sorted(working, key=lambda e: e.given):
        kind = therapy(event.therapy)
        last = event.given if event.until is None or kind.planned_ahead else event.until
        until = last + timedelta(days=kind.days("ends_at"))
        if event.given > open_from:
            spans.append((open_from, min(event.given - timedelta(days=1), span[1])))
        open_from = max(open_from, until)
    if open_from <= span[1]:
        spans.append((open_from, span[1]))
    return tuple((a, b) for a, b in spans if a <= b)


def open_days(branch: Branch | None, first: date, n_days: int) -> list[date]:
    """Return the days a branch gives doses; none where the branch is not known."""
    if branch is None:
        return []
    days = (first + timedelta(days=n) for n in range(n_days))
    return [day for day in days if branch.is_open(day)]

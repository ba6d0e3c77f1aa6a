"""What the records say of each dog, as the dosing desk wants it; and the region's risk per dog.

Nothing is filled in: a fact without a row, a word that is neither yes nor no, a response that was
not recorded stay *not known*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.dosing.dog_record import DogRecord, Finding, ItchScore, TherapyEvent
from forecast.dosing.dog_risk import DogHistory, DogRisk, dog_risk
from forecast.records import care, dogs, visits
from forecast.records.engine import Records
from forecast.regions import Branch
from models.flare.cover import efficacy_mean

WEIGHT = "weight_kg"
GIVEN = "given"
_YES, _NO = ("yes",), ("no",)


@dataclass(frozen=True)
class Register:
    """All dogs by id, with the days between which each was under the practice's eyes."""

    dogs: Mapping[str, DogRecord]
    observed: Mapping[str, tuple[date, date]]


def read_register(records: Records, *, today: date) -> Register:
    """Read every dog as it was known on a day."""
    seen = visits.visits(records)
    seen = seen[(seen["date"] <= pd.Timestamp(today)) & seen["dog"].notna()]
    facts = care.facts(records)
    facts = facts[facts["date"] <= pd.Timestamp(today)].sort_values("date")
    events = care.therapies(records)
    events = events[events["date"] <= pd.Timestamp(today)]
    scores = care.scores(records)
    scores = scores[scores["date"] <= pd.Timestamp(today)]
    flares = _days_by_dog(seen[seen["kind"] == "itch flare"])
    by_dog = {name: dict(list(f.groupby("dog"))) for name, f in _named(facts, events, scores)}
    found, observed = {}, {}
    spans = seen.groupby("dog")["date"].agg(["min", "max"])
    for dog in dogs.dogs(records):
        found[dog.id] = _record(dog, by_dog, flares.get(dog.id, ()))
        if dog.id in spans.index:
            first, last = spans.loc[dog.id, "min"].date(), spans.loc[dog.id, "max"].date()
            # an active dog that is not seen has no flare; of the others nothing is known after
            observed[dog.id] = (first, today if dog.status == "active" else last)
    return Register(found, observed)


def _named(
    facts: pd.DataFrame, events: pd.DataFrame, scores: pd.DataFrame
) -> list[tuple[str, pd.DataFrame]]:
    return [("facts", facts), ("events", events), ("scores", scores)]


def _days_by_dog(frame: pd.DataFrame) -> dict[str, tuple[date, ...]]:
    return {
        str(dog): tuple(day.date() for day in sorted(days))
        for dog, days in frame.groupby("dog")["date"]
    }


def _record(
    dog: dogs.Dog, by_dog: Mapping[str, Mapping[str, pd.DataFrame]], flares: tuple[date, ...]
) -> DogRecord:
    findings, weight, weighed = _findings(by_dog["facts"].get(dog.id))
    events = by_dog["events"].get(dog.id)
    scores = by_dog["scores"].get(dog.id)
    return DogRecord(
        id=dog.id,
        species=dog.species,
        birth_date=dog.birth_date,
        weight_kg=weight,
        weighed=weighed,
        sex=dog.sex,
        neutered=dog.neutered,
        region=dog.home_region,
        branch=dog.branch_id,
        findings=findings,
        therapies=_events(events) if _history_is_known(by_dog["facts"].get(dog.id)) else None,
        flare_visits=flares,
        scores=()
        if scores is None
        else tuple(
            ItchScore(float(row.pvas), row.date.date()) for row in scores.itertuples(index=False)
        ),
    )


def _findings(
    facts: pd.DataFrame | None,
) -> tuple[dict[str, Finding], float | None, date | None]:
    findings: dict[str, Finding] = {}
    weight, weighed = None, None
    if facts is None:
        return findings, weight, weighed
    for row in facts.itertuples(index=False):
        day = row.date.date()
        if row.kind == WEIGHT:
            weight, weighed = float(row.number), day
        else:
            present = True if row.word in _YES else False if row.word in _NO else None
            findings[str(row.kind)] = Finding(present, day)
    return findings, weight, weighed


def _history_is_known(facts: pd.DataFrame | None) -> bool:
    """Whether the practice says that it holds all the therapies a dog had."""
    if facts is None:
        return False
    words = facts.loc[facts["kind"] == "therapy_history", "word"]
    return len(words) > 0 and words.iloc[-1] in _YES


def _events(events: pd.DataFrame | None) -> tuple[TherapyEvent, ...]:
    if events is None:
        return ()
    kept = events[events["status"] == GIVEN]
    return tuple(
        TherapyEvent(
            str(row.therapy),
            row.date.date(),
            None if pd.isna(row.until) else row.until.date(),
            None if pd.isna(row.responded) else bool(row.responded),
        )
        for row in kept.itertuples(index=False)
    )


@dataclass(frozen=True)
class RegionPressure:
    """Flares per atopic dog and week without cover: past `(week,)`, ahead `(draw, week)`."""

    past_weeks: NDArray[np.datetime64]
    past: NDArray[np.float64]
    weeks: NDArray[np.datetime64]
    ahead: NDArray[np.float64]


def region_pressure(issued: xr.Dataset, region: str, register: Register) -> RegionPressure:
    """Spread a region's pressure over the dogs that carry it."""
    one = issued.sel(region=region)
    past_weeks = one["past_week"].values.astype("datetime64[D]")
    spans = [span for dog, span in register.observed.items() if register.dogs[dog].region == region]
    carried = np.array([_n_observed(spans, week) for week in past_weeks], dtype=float)
    shown = 1.0 - efficacy_mean() * one["covered_share_past"].fillna(0.0).values
    past = np.where(carried > 0, one["flare_visits_past"].values / shown / carried, np.nan)
    now = max(_n_observed(spans, np.datetime64(str(issued.attrs["origin"]))), 1)
    ahead = one["pressure"].transpose("draw", "week").values / now
    return RegionPressure(past_weeks, past, one["week"].values.astype("datetime64[D]"), ahead)


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
    from forecast.dosing.therapies import therapy

    open_from, spans = span[0], []
    for event in sorted(dog.therapies or (), key=lambda e: e.given):
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

"""Culprits: what the practice's flare visits follow, on what the latest issue rests on; kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import timedelta

from threadpoolctl import threadpool_limits

from forecast.climate import ClimateStore
from forecast.culprits import (
    dogs_culprits,
    exposure_departures,
    keep_culprits,
    kept_culprits,
    practice_culprits,
)
from forecast.cut import known_at
from forecast.dosing.rules import rules_of
from forecast.issuing import Issue
from forecast.model_files import model_file
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import issues
from forecast.training import read_model
from forecast.visits.counting.flare_days import flare_days
from jobs.ledger import recorded_run
from models.culprits import Culprits, DogOdds
from models.parameters import load_table

NAME = "culprits"


def culprits_of(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    made: Issue,
    *,
    say: Callable[[str], None],
    dogs: Sequence[str] = (),
) -> tuple[Culprits, Mapping[str, list[DogOdds]]]:
    """Work out the practice's odds, from the visits known when an issue was made, and keep them.

    With them come those of the `dogs` named by id, which are not kept.
    """
    cut = made.cut
    with recorded_run(practice, records, NAME, local_date=cut.origin, cut=None) as result:
        say("reading flare visits")
        covers = rules_of(practice).cover
        days = flare_days(practice, records, cover_rules=covers, known_on=cut.origin)
        model = read_model(model_file(practice, made.model_hash))
        say("reading weather, and exposure of all its years")
        departures = exposure_departures(model, known_at(practice, records, climate, cut=cut))
        say("laying other years' exposure beside the visits")
        with threadpool_limits(1):
            told = practice_culprits(days, departures, seed=made.seed)
            own = dogs_culprits(days, departures, practice=told, dogs=dogs)
        n_dogs = days.flares["dog"].nunique()
        keep_culprits(records, told, dogs=n_dogs, issue_id=made.id, made_at=practice.now)
        result.rows, result.sentence = told.used, told.sentence
    return told, own


def culprits_are_due(practice: Practice, records: Records) -> bool:
    """Say whether it was worked out so long ago, or visits forecast for so long, that it is due."""
    every = timedelta(days=load_table("jobs", "schedule.toml").number("culprits.every"))
    held = kept_culprits(records)
    if held is not None:
        return practice.now - held.made_at >= every
    with_visits = [one for one in issues(records, kind="issued") if one.visit_vintage is not None]
    return bool(with_visits) and practice.now - with_visits[0].issued_at >= every

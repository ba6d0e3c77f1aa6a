"""Culprits: what the practice's flare visits follow, on what the latest issue rests on."""

from __future__ import annotations

from collections.abc import Callable

from threadpoolctl import threadpool_limits

from forecast.climate import ClimateStore
from forecast.culprits import exposure_departures, practice_culprits
from forecast.cut import known_at
from forecast.dosing.rules import rules_of
from forecast.issuing import Issue
from forecast.model_files import model_file
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.training import read_model
from forecast.visits.counting.flare_days import flare_days
from models.culprits import Culprits


def culprits_of(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    made: Issue,
    *,
    say: Callable[[str], None],
) -> Culprits:
    """Work out the practice's odds, from the visits known when an issue was made."""
    say("reading flare visits")
    days = flare_days(
        practice, records, cover_rules=rules_of(practice).cover, known_on=made.cut.origin
    )
    model = read_model(model_file(practice, made.model_hash))
    say("reading weather, and exposure of all its years")
    departures = exposure_departures(model, known_at(practice, records, climate, cut=made.cut))
    say("laying other years' exposure beside the visits")
    with threadpool_limits(1):
        return practice_culprits(days, departures, seed=made.seed)

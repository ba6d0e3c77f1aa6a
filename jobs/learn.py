"""Learn: count the visits anew, train on the cut, keep the model."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pandas as pd
from threadpoolctl import threadpool_limits

from forecast.climate import ClimateStore
from forecast.cut import Known, known_at, take_cut
from forecast.dosing.therapies import therapies
from forecast.practice import Practice
from forecast.records import visits
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.training import TrainedModel, train, write_model
from forecast.visits import make_vintage
from forecast.visits.counts import AS_FINALLY_KNOWN, AS_KNOWN_THEN
from jobs.ledger import recorded_run


def cover_days() -> dict[str, int | None]:
    """Return how many days a dose of each class covers, for the share under cover."""
    return {t.id: t.days("ends_at") for t in therapies().values()}


def learn(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    say: Callable[[str], None],
) -> tuple[TrainedModel, Known]:
    """Count, train and write; return the model and what it was trained on."""
    places = regions(practice)  # a slip in practice.toml is told before anything else
    with recorded_run(practice, records, "learn", local_date=origin, cut=None) as result:
        if _has_visits(records, origin):
            say("counting flare visits by region and week")
            _count(practice, records, origin)
        cut = take_cut(practice, records, climate, origin=origin)
        known = known_at(practice, records, climate, cut=cut)
        say("training seasons, exposure and flare visits")
        with threadpool_limits(1):
            model = train(known, places, cut=cut)
        write_model(model, practice.trained_folder)
        result.sentence = f"model {model.hash[:12]}; {model.why_no_visits or 'with visits'}"
    return model, known


def _has_visits(records: Records, origin: date) -> bool:
    return bool((visits.visits(records)["date"] < pd.Timestamp(origin)).any())


def _count(practice: Practice, records: Records, origin: date) -> None:
    """Count what was known at the origin; of a past one, what a later export says of it."""
    is_past = origin < practice.today
    make_vintage(
        practice,
        records,
        cover_days=cover_days(),
        known_on=min(origin, practice.today),
        kind=AS_FINALLY_KNOWN if is_past else AS_KNOWN_THEN,
    )

"""Learn: count the visits anew, train on the cut, keep the model."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pandas as pd
from threadpoolctl import threadpool_limits

from forecast.climate import ClimateStore
from forecast.cut import Known, known_weather, pin_counts, take_cut, with_counts
from forecast.dosing.therapies import cover_rules
from forecast.practice import Practice
from forecast.records import visits
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.training import TrainedModel, train, write_model
from forecast.visits import make_vintage
from jobs.ledger import recorded_run


def learn(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    say: Callable[[str], None],
) -> tuple[TrainedModel, Known]:
    """Count, train and write; return the model and what it was trained on.

    Too little weather is refused before anything is counted. Counts that were made before a later
    refusal stay: they say truly what was known, and counting the same again adds none.
    """
    places = regions(practice)  # a slip in practice.toml is told before anything else
    with recorded_run(practice, records, "learn", local_date=origin, cut=None) as result:
        cut = take_cut(practice, records, climate, origin=origin)
        known = known_weather(practice, climate, cut=cut)
        if _has_visits(records, origin):
            say("counting flare visits by region and week")
            make_vintage(
                practice,
                records,
                cover_rules=cover_rules(),
                known_on=min(origin, practice.today),
            )
            cut = pin_counts(records, cut)
        known = with_counts(known, records, cut=cut)
        say("training seasons, exposure and flare visits")
        with threadpool_limits(1):
            model = train(known, places, cut=cut)
        write_model(model, practice.trained_folder)
        result.sentence = f"model {model.hash[:12]}; {model.why_no_visits or 'with visits'}"
    return model, known


def _has_visits(records: Records, origin: date) -> bool:
    return bool((visits.visits(records)["date"] < pd.Timestamp(origin)).any())

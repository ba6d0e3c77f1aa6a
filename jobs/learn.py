"""Learn: count the visits anew, train on the cut, keep the model; weekly, or where it is needed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from threadpoolctl import threadpool_limits

from forecast.climate import ClimateStore
from forecast.cut import (
    DataCut,
    Known,
    known_weather,
    pin_counts,
    take_cut,
    with_closures,
    with_counts,
)
from forecast.dosing.rules import rules_of
from forecast.model_files import keep_model, standing_review
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.training import TrainedModel, train
from forecast.visits import make_vintage
from forecast.visits.counting.counts import anything_to_count
from jobs.ledger import recorded_run
from jobs.sources.source import lags_of_sources


def learn(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    say: Callable[[str], None],
) -> tuple[TrainedModel, Known]:
    """Count, train and write; return the model and what it was trained on."""
    regions(practice)  # a slip in practice.toml is told before anything else
    with recorded_run(practice, records, "learn", local_date=origin, cut=None):
        cut, known = what_is_known(practice, records, climate, origin=origin, say=say)
        return train_on(practice, records, known, cut=cut, say=say), known


def what_is_known(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    say: Callable[[str], None],
) -> tuple[DataCut, Known]:
    """Count the visits anew, and pin and read everything that is known at an origin.

    Too little weather is refused before anything is counted. Counts that were made before a later
    refusal stay: they say truly what was known, and counting the same again adds none.
    """
    cut = take_cut(practice, records, climate, origin=origin, lag_days=lags_of_sources())
    known = known_weather(practice, climate, cut=cut)
    if anything_to_count(records, known_on=origin):
        say("counting flare visits by region and week")
        known_on = min(origin, practice.today)
        make_vintage(practice, records, cover_rules=rules_of(practice).cover, known_on=known_on)
        cut = pin_counts(records, cut)
    known = with_counts(known, records, cut=cut)
    return cut, with_closures(known, practice, records, cut=cut)


def train_on(
    practice: Practice, records: Records, known: Known, *, cut: DataCut, say: Callable[[str], None]
) -> TrainedModel:
    """Train on what a cut lets be seen, and keep the model."""
    with recorded_run(
        practice, records, "learn", local_date=cut.origin, cut=cut.as_attributes()
    ) as result:
        say("training seasons, exposure and flare visits")
        with threadpool_limits(1):
            standing = standing_review(practice, cut=cut)
            model = train(known, regions(practice), cut=cut, standing=standing)
        keep_model(practice, model)
        result.sentence = f"model {model.hash[:12]}; {model.why_no_visits or 'with visits'}"
    return model

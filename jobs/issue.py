"""Issue: draw the futures of a trained model, write the file, then the row; daily."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from forecast.climate import ClimateStore
from forecast.cut import DataCut, Known
from forecast.issuing import Issue, keep_issue, make_issue
from forecast.model_files import newest_fit
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.training import TrainedModel
from jobs.learn import train_on, what_is_known
from jobs.ledger import recorded_run
from jobs.tidy import tidy


@dataclass(frozen=True)
class Issued:
    """An issue, with the model and the data that it was made from."""

    issue: Issue
    model: TrainedModel
    known: Known


def issue_today(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    origin: date,
    say: Callable[[str], None],
    learn_anew: bool = False,
) -> Issued:
    """Issue from the newest weather and counts; learn first only where no fit model is kept."""
    regions(practice)  # a slip in practice.toml is told before anything else
    with recorded_run(practice, records, "issue", local_date=origin, cut=None):
        cut, known = what_is_known(practice, records, climate, origin=origin, say=say)
        model, why = newest_fit(practice, records, known, cut=cut)
        if model is None or learn_anew:
            say(f"learning: {'it was asked for' if learn_anew else why}")
            model = train_on(practice, records, known, cut=cut, say=say)
        else:
            say(f"resting on the model learnt from what was known on {model.cut.origin}")
        made = issue(practice, records, climate, model=model, known=known, cut=cut, say=say)
    return Issued(made, model, known)


def issue(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    model: TrainedModel,
    known: Known,
    say: Callable[[str], None],
    cut: DataCut | None = None,
) -> Issue:
    """Issue one forecast; its climate snapshot is named, so that it can be made again.

    `cut` is that of what is known, the model's own unless given. At the end what has been kept long
    enough is taken away, so that no practice grows without bound.
    """
    say(f"drawing {practice.settings.forecast.draws} futures")
    cut = model.cut if cut is None else cut
    with recorded_run(
        practice, records, "issue", local_date=cut.origin, cut=cut.as_attributes()
    ) as result:
        made = make_issue(
            practice, model, known, cut=cut, issued_at=practice.now, run_id=result.run_id
        )
        keep_issue(records, climate, made)
        result.rows = made.forecast.sizes["region"]
        result.sentence = f"issue {made.id}"
    tidy(practice, records, climate, say=say)
    return made

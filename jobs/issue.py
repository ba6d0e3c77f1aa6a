"""Issue: draw the futures of a trained model, write the file, then the row."""

from __future__ import annotations

from collections.abc import Callable

from forecast.climate import ClimateStore
from forecast.cut import Known
from forecast.issuing import Issue, keep_issue, make_issue
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.training import TrainedModel
from jobs.ledger import recorded_run
from jobs.tidy import tidy


def issue(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    model: TrainedModel,
    known: Known,
    say: Callable[[str], None],
) -> Issue:
    """Issue one forecast; its climate snapshot is named, so that it can be made again.

    Then what has been kept long enough is taken away, so that no practice grows without bound.
    """
    say(f"drawing {practice.settings.forecast.draws} futures")
    cut = model.cut
    with recorded_run(
        practice, records, "issue", local_date=cut.origin, cut=cut.as_attributes()
    ) as result:
        made = make_issue(practice, model, known, issued_at=practice.now, run_id=result.run_id)
        keep_issue(records, climate, made)
        result.rows = made.forecast.sizes["region"]
        result.sentence = f"issue {made.id}"
    tidy(practice, records, climate, say=say)
    return made

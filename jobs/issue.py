"""Issue: draw the futures of a trained model, write the file, then the row."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from forecast.climate import ClimateStore
from forecast.cut import Known
from forecast.issuing import Issue, make_issue
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, add_issue
from forecast.training import TrainedModel
from jobs.ledger import recorded_run


def issue(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    model: TrainedModel,
    known: Known,
    say: Callable[[str], None],
) -> Issue:
    """Issue one forecast; its climate snapshot is tagged, so that it can be made again."""
    say(f"drawing {practice.settings.forecast.draws} futures")
    cut = model.cut
    with recorded_run(
        practice, records, "issue", local_date=cut.origin, cut=cut.as_attributes()
    ) as result:
        made = make_issue(practice, model, known, issued_at=practice.now)
        climate.tag(f"issue-{made.id}", cut.climate_snapshot)
        add_issue(records, _row(made), settings_text=practice.settings_text, summaries=_sum(made))
        result.rows = made.forecast.sizes["region"]
        result.sentence = f"issue {made.id}"
    return made


def _row(made: Issue) -> IssueRow:
    return IssueRow(
        id=made.id,
        issued_at=made.issued_at,
        origin=made.cut.origin,
        kind=made.cut.kind,
        model_hash=made.model_hash,
        settings_sha256=made.settings_hash,
        seed=made.seed,
        file=made.file.name,
        file_sha256=made.hash,
        climate_snapshot=made.cut.climate_snapshot,
        visit_vintage=made.cut.visit_vintage if made.has_visits else None,
    )


def _sum(made: Issue) -> dict[str, dict[str, object]]:
    """One line a region: what the season page shows without opening the file."""
    summaries: dict[str, dict[str, object]] = {}
    for region in made.forecast["region"].values:
        one = made.forecast.sel(region=region)
        if not made.has_visits:
            summaries[str(region)] = {"visits": "not known"}
            continue
        best = pd.Timestamp(str(one["odds_high"].idxmax("week").values))
        summaries[str(region)] = {
            "expected_visits": round(float(one["visits"].mean("draw").sum()), 1),
            "highest_week": f"{best:%Y-%m-%d}",
            "odds_high": round(float(one["odds_high"].max()), 3),
        }
    return summaries

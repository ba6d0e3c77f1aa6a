"""What is kept how long: the weather that issues were made from, and their draws.

Quantiles, odds, records and counts are kept for ever. Draws are kept for 30 days, and the snapshot
of the climate store under an issue so that after 90 days one a week stays, and after two years one
a month (`forecast.climate.thinning`). Both are kept for as long as a plan or an alert cites the
issue, and the draws of the latest issue until there is a later one. A trained model, and the
weather it was learnt from, stays for as long as an issue that can be made again rests on it, and
for a month in any case. The outbox holds what was written of the newest thirty issues, and of those
that a plan cites.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from forecast.climate import ClimateStore
from forecast.climate.thinning import names_to_keep, unnamed_days
from forecast.issue_files import draws_file, drop_draws
from forecast.issuing import MODEL_SNAPSHOT, model_snapshot_name, snapshot_name
from forecast.model_files import kept_models, model_file
from forecast.outbox import drop_outboxes, old_outboxes
from forecast.practice import Practice
from forecast.records import alerts
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, issues
from forecast.records.plans import cited_issues
from models.parameters import load_table


@dataclass(frozen=True)
class Overdue:
    """What has been kept long enough: names of snapshots, snapshots without one, and files."""

    names: frozenset[str]
    n_replaced: int
    replaced_before: datetime
    draws: tuple[Path, ...]
    models: tuple[Path, ...]
    outboxes: tuple[Path, ...] = ()

    def __bool__(self) -> bool:
        some = (self.names, self.n_replaced, self.draws, self.models, self.outboxes)
        return any(map(bool, some))


def overdue(practice: Practice, records: Records, climate: ClimateStore) -> Overdue:
    """Return what has been kept long enough; nothing is changed."""
    rows, cited = issues(records), cited_issues(records) | alerts.cited_issues(records)
    held = climate.tags()
    named_at = {name: row.issued_at for row in rows if (name := snapshot_name(row.id)) in held}
    stay = names_to_keep(
        named_at, today=practice.now.date(), cited={snapshot_name(one) for one in cited}
    )
    needed = {row.model_hash for row in rows if snapshot_name(row.id) in stay}
    models = _old_models(practice, needed)
    before = practice.now - timedelta(days=unnamed_days())
    return Overdue(
        (frozenset(named_at) - stay) | _old_model_names(practice, held, needed, models),
        len(climate.replaced(before)),
        before,
        tuple(_old_draws(practice, rows, cited)),
        tuple(models),
        tuple(old_outboxes(practice, [row.id for row in rows], cited=cited)),
    )


def _old_models(practice: Practice, needed: set[str]) -> list[Path]:
    days = load_table("forecast", "retention.toml").number("models.days")
    learnt_before = practice.now - timedelta(days=days)
    young = {one.file for one in kept_models(practice) if one.learnt_at >= learnt_before}
    held = {model_file(practice, one) for one in needed} | young
    return sorted(set(practice.trained_folder.glob("*.nc")) - held)


def _old_model_names(
    practice: Practice, held: Collection[str], needed: set[str], old: list[Path]
) -> set[str]:
    young = {path.stem for path in practice.trained_folder.glob("*.nc")} - {f.stem for f in old}
    # also of a model whose file is lost: from that weather it can be learnt again
    stay = {model_snapshot_name(one) for one in needed | young}
    return {name for name in held if name.startswith(MODEL_SNAPSHOT)} - stay


def _old_draws(practice: Practice, rows: list[IssueRow], cited: set[str]) -> list[Path]:
    days = load_table("forecast", "retention.toml").number("draws.days")
    made_before = practice.now - timedelta(days=days)
    paths = [
        practice.issued_folder / row.file
        for row in rows[:-1]  # the last is the latest: plans are made from it, whatever its age
        if row.issued_at < made_before and row.id not in cited
    ]
    return [path for path in paths if draws_file(path).exists()]


def clear(climate: ClimateStore, due: Overdue) -> str:
    """Take away what has been kept long enough, and say what that was; again changes nothing."""
    freed = drop_draws(due.draws) + drop_outboxes(due.outboxes)
    for path in due.models:
        freed += path.stat().st_size if path.exists() else 0
        path.unlink(missing_ok=True)
    done = climate.clean_up(names=due.names, replaced_before=due.replaced_before)
    return (
        f"taken away: draws of issues {len(due.draws)}, names {done.n_names}, snapshots "
        f"{done.n_snapshots}, models {len(due.models)}, outbox folders "
        f"{len(due.outboxes)}; {(freed + done.n_bytes) / 1e6:.1f} MB freed"
    )

"""Back-up and restore, each written down as a run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from forecast.backup import Backup, Restored, make_backup
from forecast.backup import restore as put_back
from forecast.climate import ClimateStore, open_climate
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from forecast.records.engine import Records
from forecast.records.runs import finish_run, running_runs
from jobs.ledger import recorded_run
from jobs.opening import COMPLETED, settle

JOB = "back-up"
Tell = Callable[[float], None]


def back_up(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    to: Path | None = None,
    with_secrets: bool = False,
    say: Callable[[str], None],
    tell: Tell | None = None,
) -> Backup:
    """Make a back-up; one that lacks what the records cite is kept, and its run counts as failed.

    `tell` hears the share done, beside the ledger.
    """
    say("backing up")
    with recorded_run(practice, records, JOB, local_date=practice.today, cut=None) as result:

        def hear(share: float) -> None:
            result.tell(share)
            if tell is not None:
                tell(share)

        made = make_backup(
            practice, records, climate, folder=to, with_secrets=with_secrets, tell=hear
        )
        lacking = made.manifest.lacking
        result.rows, result.failed = len(made.manifest.members), bool(lacking)
        result.sentence = f"{made.file.name}, {made.n_bytes / 1e6:.1f} MB" + (
            f"; {len(lacking)} issues lack their file" if lacking else ""
        )
    return made


def restore(
    file: Path,
    folder: Path,
    *,
    erasures: Path | None = None,
    settings: Path | None = None,
    tell: Tell = lambda share: None,
) -> tuple[Restored, list[str]]:
    """Restore a back-up and open it once; return also what was settled of runs under way then."""
    done = put_back(file, folder, erasures=erasures, settings=settings, tell=tell)
    practice = open_practice(done.folder)
    records, climate = open_records(practice), open_climate(practice)
    try:
        _end_its_own_run(records)
        settled = settle(practice, records, climate)
        with recorded_run(
            practice, records, "restore", local_date=practice.today, cut=None
        ) as result:
            result.rows = len(done.manifest.members)
            result.sentence = f"back-up of {done.manifest.made_at}"
    finally:
        records.close()
    return done, settled


def _end_its_own_run(records: Records) -> None:
    """End the run that made the back-up, which was under way when the records were copied."""
    for run in running_runs(records):
        if run.job == JOB:
            result = "made the back-up that this practice was restored from"
            finish_run(records, run.id, state=COMPLETED, n_rows=None, seconds=0.0, result=result)

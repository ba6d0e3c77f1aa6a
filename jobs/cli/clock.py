"""The clock: be it, see what ran and what is due, run one job by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import AsOf, PracticeFolder


def clock(practice: PracticeFolder = Path()) -> None:
    """Run every job when it is due, unattended, until told to end (SIGTERM or Ctrl-C)."""
    from jobs.clock_process import run_clock
    from jobs.console_clock import show_clock_begins
    from jobs.logs import logs

    with logs():
        run_clock(practice, ready=show_clock_begins)


def jobs(practice: PracticeFolder = Path()) -> None:
    """Show for each job what ran last and what is due next; what people asked for."""
    from forecast.practice import open_practice
    from forecast.records import open_records
    from jobs.console_clock import show_jobs

    opened = open_practice(practice)
    records = open_records(opened)
    try:
        show_jobs(opened, records)
    finally:
        records.close()


def run(
    job: Annotated[str, typer.Argument(metavar="JOB", help="A job; `forepaw jobs` shows them.")],
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
) -> None:
    """Run one job now, as the clock would; where the clock runs, it does so and this waits.

    Exit code 1 if the job failed.
    """
    from forecast.practice import open_practice
    from jobs.by_hand import run_by_hand
    from jobs.console import bar, say
    from jobs.console_clock import show_ran

    opened = open_practice(practice)
    with bar(job) as progress:
        ran = run_by_hand(opened, job, as_of=as_of, say=say, progress=progress)
    show_ran(ran)
    if not ran.is_well:
        raise typer.Exit(1)

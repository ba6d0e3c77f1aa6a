"""Looking back: forecasts held against what came, and past issue dates once more."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import AsOf, PracticeFolder, read_day

_DAY = "YYYY-MM-DD"


def verify(practice: PracticeFolder = Path()) -> None:
    """Hold issued forecasts against what came, and show their record."""
    from forecast.practice import open_practice
    from forecast.skill import record
    from jobs.console import paragraph, say
    from jobs.console_record import show_skill
    from jobs.opening import open_all
    from jobs.verify import verify as run_verify

    opened = open_practice(practice)
    records, _ = open_all(opened)
    paragraph(f"{run_verify(opened, records, say=say).sentence}.")
    show_skill(record(opened, records))


def replay(
    first: Annotated[
        date, typer.Argument(metavar="FROM", parser=read_day, help=f"First day, {_DAY}.")
    ],
    last: Annotated[date, typer.Argument(metavar="TO", parser=read_day, help=f"Last day, {_DAY}.")],
    every: Annotated[int, typer.Option(min=1, help="Days from one forecast to the next.")] = 7,
    workers: Annotated[int, typer.Option(min=1, help="Processes that share the work.")] = 1,
    practice: PracticeFolder = Path(),
) -> None:
    """Run past issue dates again with what was known then; say how issues and hindcasts did."""
    from forecast.practice import open_practice
    from jobs.console import say
    from jobs.console_record import show_replay
    from jobs.opening import open_all
    from jobs.replay import replay as run_replay

    opened = open_practice(practice)
    records, climate = open_all(opened)
    done = run_replay(
        opened, records, climate, first=first, last=last, every=every, workers=workers, say=say
    )
    show_replay(opened, done)
    if any(one.outcome == "different" for one in done.days):
        raise typer.Exit(1)


def backtest(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    first_weeks: Annotated[
        int, typer.Option(min=104, help="Weeks of counts behind the first origin.")
    ] = 156,
    every: Annotated[int, typer.Option(min=1, help="Weeks from one origin to the next.")] = 4,
    workers: Annotated[int, typer.Option(min=1, help="Processes that share the work.")] = 1,
) -> None:
    """Forecast from past origins with only what was known then; say how good it was.

    One that was broken off goes on where it was; the scores are the same on any number of workers.
    """
    from forecast.practice import open_practice
    from jobs.backtest import backtest as run_backtest
    from jobs.console import say
    from jobs.console_record import show_backtest
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, climate = open_all(opened)
    scores = run_backtest(
        opened,
        records,
        climate,
        origin=as_of or opened.today,
        first_weeks=first_weeks,
        every=every,
        workers=workers,
        say=say,
    )
    show_backtest(scores, seed=opened.settings.forecast.seed)

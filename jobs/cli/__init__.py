"""The command line: a desk a file. What is heavy is imported inside the commands."""

from __future__ import annotations

import sys

import typer

from jobs.cli.alert_sending import bounces, consent, send, withdraw
from jobs.cli.alerts import alert
from jobs.cli.allergens import allergens
from jobs.cli.backup import backup, restore
from jobs.cli.clock import clock, jobs, run
from jobs.cli.demo import demo
from jobs.cli.doctor import doctor, serve
from jobs.cli.forecasts import culprits, issue, plan, remake
from jobs.cli.imports import imports
from jobs.cli.options import DayError
from jobs.cli.pages import pages
from jobs.cli.people import people
from jobs.cli.privacy import erase, export
from jobs.cli.replay import backtest, replay, verify
from jobs.cli.setup import init
from jobs.cli.sources import pull, sources
from jobs.cli.staff import staff
from jobs.cli.therapies import therapies
from jobs.cli.visits import visits

app = typer.Typer(
    name="forepaw",
    help="Allergen exposure, flare visits and the dates that follow, for a small-animal practice.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: rendering with rich takes longer than all the rest
)
app.command()(demo)
app.command()(init)
app.command()(allergens)
app.command()(pull)
app.command()(sources)
app.add_typer(imports, name="import")
app.add_typer(visits, name="visits")
app.add_typer(people, name="people")
app.add_typer(erase, name="erase")
app.add_typer(export, name="export")
for command in (send, withdraw, consent, bounces):
    alert.command()(command)
app.add_typer(alert, name="alert")
app.command()(issue)
app.command()(plan)
app.command()(staff)
app.command()(culprits)
app.command()(therapies)
app.command()(remake)
app.command()(verify)
app.command()(replay)
app.command()(backtest)
app.command()(backup)
app.command()(restore)
app.command()(run)
app.command()(clock)
app.command()(pages)
app.command()(jobs)
app.command()(serve)
app.command()(doctor)


def main() -> None:
    """Run a command; a refusal is one sentence on standard error and exit code 2."""
    from models.errors import ForepawError

    try:
        app()
    except (ForepawError, DayError) as refusal:
        print(f"forepaw: {refusal}", file=sys.stderr)
        sys.exit(2)


def program() -> None:
    """Be the process `forepaw`: run a command, then end for good."""
    from jobs.ending import ended_at_once

    with ended_at_once():
        main()

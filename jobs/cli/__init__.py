"""The command line: a desk a file. What is heavy is imported inside the commands."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import typer
from typer.core import TyperGroup

from jobs.cli.alert_sending import bounces, consent, send, withdraw
from jobs.cli.alerts import alert
from jobs.cli.allergens import allergens
from jobs.cli.backup import backup, restore
from jobs.cli.clock import clock, jobs, run
from jobs.cli.demo import demo
from jobs.cli.doctor import doctor, serve
from jobs.cli.forecasts import culprits, issue, remake
from jobs.cli.imports import imports
from jobs.cli.letters import letters, recall
from jobs.cli.options import DayError
from jobs.cli.pages import pages
from jobs.cli.people import people
from jobs.cli.plans import plan
from jobs.cli.privacy import erase, export
from jobs.cli.replay import backtest, replay, verify
from jobs.cli.setup import init
from jobs.cli.sources import pull, sources
from jobs.cli.staff import staff
from jobs.cli.therapies import therapies
from jobs.cli.visits import visits

# In the order in which a practice comes to need them; a line of help holds some 60 letters.
_COMMANDS: dict[str, tuple[Callable[..., None] | typer.Typer, str]] = {
    "demo": (demo, "Invent a practice on real weather and run everything on it."),
    "init": (init, "Make a practice folder with a practice.toml of its place."),
    "pull": (pull, "Fetch what is lacking from the sources of practice.toml."),
    "sources": (sources, "Show each source: its age, its last error, its terms."),
    "import": (imports, "Bring in a file; bad rows are reported, the rest is kept."),
    "visits": (visits, "What was made of the visits, and how far to trust it."),
    "allergens": (allergens, "What each region lists, beside what is likely there."),
    "issue": (issue, "Forecast from what is held, and write the answer."),
    "plan": (plan, "Propose dated doses from the latest issue; a vet decides."),
    "letters": (letters, "Write letters and calendars for the plans a vet signed."),
    "recall": (recall, "Write down whom to call, and who is left out and why."),
    "culprits": (culprits, "Which exposure flare visits follow beyond the season."),
    "staff": (staff, "Plan staff and stock: load, roster, overflow, costs."),
    "therapies": (therapies, "Every stop, limit and caution: rule, source, status."),
    "alert": (alert, "Alerts to the owners of a region: rule, draft, approval."),
    "verify": (verify, "Hold issued forecasts against what came."),
    "backtest": (backtest, "How good forecasts from past origins would have been."),
    "replay": (replay, "Run past issue dates again with what was known then."),
    "remake": (remake, "Make one issue again; say whether it comes out the same."),
    "serve": (serve, "Run everything when it is due, and the pages."),
    "clock": (clock, "Run every job when it is due, without the pages."),
    "pages": (pages, "Serve the pages alone."),
    "jobs": (jobs, "What ran last, what is due next, what was asked for."),
    "run": (run, "Run one job now; a running clock is asked to."),
    "doctor": (doctor, "How everything stands and what to do about it."),
    "people": (people, "Who may sign in to the pages, and what they did."),
    "backup": (backup, "Write all of a practice into one file."),
    "restore": (restore, "Make a practice from a back-up."),
    "export": (export, "Write down all that is held on somebody."),
    "erase": (erase, "Erase somebody for good."),
}


class _InOrder(TyperGroup):
    """A program that lists its commands in the order of the table above."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands."""
        return [name for name in _COMMANDS if name in self.commands]


app = typer.Typer(
    name="forepaw",
    cls=_InOrder,
    help="When a small-animal practice's allergic dogs will flare, and what to do by then.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: rendering with rich takes longer than all the rest
)
for command in (send, withdraw, consent, bounces):
    alert.command()(command)
for name, (one, told) in _COMMANDS.items():
    if isinstance(one, typer.Typer):
        app.add_typer(one, name=name, short_help=told)
    else:
        app.command(name, short_help=told)(one)


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

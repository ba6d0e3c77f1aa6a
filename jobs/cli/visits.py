"""Visits: a first count table, a sample for vets to label, and what their labels say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    import pandas as pd

    from forecast.practice import Practice

visits = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="What was made of the practice's visits, and how far it can be trusted.",
)


@visits.command()
def counts(practice: PracticeFolder = Path()) -> None:
    """Count flare visits, rechecks, doses and others by year and branch, and days without any."""
    from forecast.records import open_records
    from forecast.visits.counting.volume import days_by_year, volume_on_record
    from forecast.visits.judging import counting_rule
    from jobs.console_imports import say_held
    from jobs.console_visits import show_counts, show_days
    from jobs.imports import imports_made

    opened, held, definition = _judged(practice)
    records = open_records(opened)
    rule = counting_rule(opened, records)
    show_counts(held, definition=definition, flare_free_days=rule.flare_free_days)
    show_days(days_by_year(volume_on_record(opened, records)))
    say_held(imports_made(opened))


@visits.command()
def sample(
    n: Annotated[int, typer.Argument(metavar="N", help="How many visits to draw, such as 100.")],
    practice: PracticeFolder = Path(),
    seed: Annotated[int, typer.Option(help="Another seed draws other visits.")] = 1,
) -> None:
    """Draw visits for a vet to label blind; writes a sheet as workbook and as CSV."""
    from forecast.visits.labelling.desk import draw_sheet
    from jobs.console_visits import show_sheet

    opened, held, definition = _judged(practice)
    show_sheet(draw_sheet(opened, held, n, definition=definition, seed=seed))


@visits.command()
def agree(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Filled sheets.")],
    practice: PracticeFolder = Path(),
) -> None:
    """Lay filled sheets beside the case definition: sensitivity, predictive value, kappa."""
    from forecast.visits.labelling.desk import report_labels
    from jobs.console_visits import show_labels

    opened, held, definition = _judged(practice)
    show_labels(report_labels(opened, held, files, definition=definition))


@visits.command()
def define(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="The definition (TOML); without, the shipped one."),
    ] = None,
    practice: PracticeFolder = Path(),
) -> None:
    """Put a case definition in force: all visits are judged anew, earlier verdicts stay.

    A definition to start from is the shipped one; `forepaw visits definition` prints the one in
    force.
    """
    from forecast.practice import open_practice
    from jobs.console import bar
    from jobs.console_visits import show_relearnt
    from jobs.define import define as put_in_force

    with bar("judging all visits") as progress:
        done = put_in_force(open_practice(practice), file, progress=progress)
    show_relearnt(done)


@visits.command()
def definition(practice: PracticeFolder = Path()) -> None:
    """Print the case definition in force, as a text to edit and put in force again."""
    from forecast.practice import open_practice
    from forecast.visits.judging import definition_of
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, _ = open_all(opened)
    print(definition_of(opened, records).text, end="")


def _judged(folder: Path) -> tuple[Practice, pd.DataFrame, str]:
    """Open a practice; return its visits with their evidence, and the definition in force."""
    from forecast.practice import open_practice
    from forecast.visits.labelling.desk import judged_visits
    from jobs.opening import open_all

    opened = open_practice(folder)
    records, _ = open_all(opened)
    return opened, *judged_visits(opened, records)

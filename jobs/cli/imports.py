"""Import: what a practice brings in, a command a kind of file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from jobs.imports import Imported

imports = typer.Typer(
    rich_markup_mode=None, help="Bring in a file; bad rows are reported, the rest is kept."
)
File = Annotated[Path, typer.Argument(help="The file to bring in.")]
SHOWN = 8


@imports.command()
def weather(file: File, practice: PracticeFolder = Path()) -> None:
    """Daily weather of the regions: a CF NetCDF file."""
    _run("weather", file, practice)


@imports.command()
def flowering(file: File, practice: PracticeFolder = Path()) -> None:
    """Observed flowering dates: region, species, stage, date."""
    _run("flowering", file, practice)


@imports.command()
def branches(file: File, practice: PracticeFolder = Path()) -> None:
    """Branches: id, name, region, open_days."""
    _run("branches", file, practice)


@imports.command()
def dogs(file: File, practice: PracticeFolder = Path()) -> None:
    """Dogs and their owners."""
    _run("dogs", file, practice)


@imports.command()
def facts(file: File, practice: PracticeFolder = Path()) -> None:
    """Facts of dogs: dog, kind, value, date."""
    _run("facts", file, practice)


@imports.command()
def visits(file: File, practice: PracticeFolder = Path()) -> None:
    """Visits: visit, date, branch, dog, kind."""
    _run("visits", file, practice)


@imports.command()
def therapies(file: File, practice: PracticeFolder = Path()) -> None:
    """Therapies given, dispensed or declined: dog, therapy, date, status, reason."""
    _run("therapies", file, practice)


@imports.command()
def scores(file: File, practice: PracticeFolder = Path()) -> None:
    """Pruritus scores (PVAS, 0 to 10): dog, date, pvas, scorer."""
    _run("scores", file, practice)


def _run(kind: str, file: Path, folder: Path) -> None:
    from forecast.practice import open_practice
    from jobs.imports import import_file

    show_import(import_file(open_practice(folder), kind, file))


def show_import(done: Imported) -> None:
    """Print what came of an import, the first findings in full."""
    print(done.sentence)
    worst = [f for f in done.findings if f.severity != "note"]
    for finding in worst[:SHOWN]:
        print(f"  {finding.severity}: {finding.sentence}")
    if len(worst) > SHOWN:
        print(f"  ... and {len(worst) - SHOWN} more" + (f": {done.report}" if done.report else ""))

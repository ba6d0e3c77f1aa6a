"""Import: what a practice brings in, a command a kind of file."""

from __future__ import annotations

from collections.abc import Callable
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
LayoutName = Annotated[
    str | None, typer.Option("--layout", metavar="NAME", help="Read it through this layout.")
]
ImportNumber = Annotated[int, typer.Argument(metavar="N", help="The import's number.")]
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
def visits(file: File, practice: PracticeFolder = Path(), layout: LayoutName = None) -> None:
    """Visits: an export that a layout fits, or our own: visit, date, branch, dog, kind."""
    from jobs.console import bar

    with bar("reading, judging, keeping") as progress:
        done = _imported("visits", file, practice, layout=layout, progress=progress)
    show_import(done)


@imports.command()
def closures(file: File, practice: PracticeFolder = Path()) -> None:
    """Days a branch was closed, or its diary full: branch, date, reason, full."""
    _run("closures", file, practice)


@imports.command()
def therapies(file: File, practice: PracticeFolder = Path()) -> None:
    """Therapies given, dispensed or declined: dog, therapy, date, status, reason."""
    _run("therapies", file, practice)


@imports.command()
def scores(file: File, practice: PracticeFolder = Path()) -> None:
    """Pruritus scores (PVAS, 0 to 10): dog, date, pvas, scorer, scale."""
    _run("scores", file, practice)


@imports.command()
def reactions(file: File, practice: PracticeFolder = Path()) -> None:
    """Adverse reactions: dog, therapy, date, sign, reported."""
    _run("reactions", file, practice)


@imports.command()
def vaccinations(file: File, practice: PracticeFolder = Path()) -> None:
    """Vaccinations: dog, date, live, against."""
    _run("vaccinations", file, practice)


@imports.command()
def medicines(file: File, practice: PracticeFolder = Path()) -> None:
    """Other medicines by kind: dog, kind, date, until."""
    _run("medicines", file, practice)


@imports.command("tests")
def allergy_tests(file: File, practice: PracticeFolder = Path()) -> None:
    """Allergy tests, a row an allergen: dog, date, allergen, result, method."""
    _run("tests", file, practice)


@imports.command()
def staff(file: File, practice: PracticeFolder = Path()) -> None:
    """Staff and the rest of the desk: leave, hours, minutes, prices, stock; one a sheet."""
    _run("staff", file, practice)


@imports.command()
def layout(
    holds: Annotated[str, typer.Argument(metavar="KIND", help="Such as therapies or scores.")],
    file: File,
    practice: PracticeFolder = Path(),
) -> None:
    """Write a layout for a file of patients that is not of our format, to be filled in.

    It goes to layouts/patients/: which column is which, and what the practice's own words mean.
    """
    from forecast.practice import open_practice
    from forecast.visits.importing.patients import propose_layout

    path, n_words = propose_layout(open_practice(practice), file, holds)
    print(f"{path} was written; fill it in: the columns, and {n_words} words of {file.name}")
    print(f"then: forepaw import {holds} {file}")


@imports.command("look")
def look_at(
    file: File,
    practice: PracticeFolder = Path(),
    layout: LayoutName = None,
) -> None:
    """Look at an export of visits: what it is, what would come of it, what must be answered.

    Where no layout of the practice fits, one is proposed and kept in its folder layouts/, to be
    edited. Nothing is imported.
    """
    from forecast.practice import open_practice
    from forecast.visits.importing.looking import look_at_file
    from jobs.console import say
    from jobs.console_look import show_look

    opened = open_practice(practice)
    say(f"reading {file.name}")
    show_look(*look_at_file(opened, file, layout=layout), file=file)


@imports.command("list")
def list_imports(practice: PracticeFolder = Path()) -> None:
    """List what was imported, and what is held until you answer."""
    from forecast.practice import open_practice
    from jobs.console_imports import show_imports
    from jobs.imports import imports_made

    opened = open_practice(practice)
    show_imports(opened, imports_made(opened))


@imports.command()
def accept(number: ImportNumber, practice: PracticeFolder = Path()) -> None:
    """Take an import that is held as it is; its visits count from now on."""
    from forecast.practice import open_practice
    from jobs.imports import accept as accept_import

    accept_import(open_practice(practice), number)
    print(f"import {number} counts from now on; `forepaw issue` learns from it")


@imports.command()
def again(
    numbers: Annotated[
        list[int], typer.Argument(metavar="N...", help="The imports' numbers, oldest first.")
    ],
    practice: PracticeFolder = Path(),
    layout: LayoutName = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Count it, also where it is unlike the past.")
    ] = False,
) -> None:
    """Read imports of visits again, through their layout as it is now: new items, new words.

    The raw file is the one of the archive. Either the new reading takes the place of the old, as if
    the file had been read so when it came, or nothing changes.
    """
    from forecast.practice import open_practice
    from jobs.console import bar
    from jobs.imports import read_again

    opened = open_practice(practice)
    for number in numbers:
        with bar(f"import {number}: reading, judging, keeping") as progress:
            done = read_again(opened, number, layout=layout, accept=accept, progress=progress)
        show_import(done)


@imports.command()
def undo(number: ImportNumber, practice: PracticeFolder = Path()) -> None:
    """Take an import back; its file may come again."""
    from forecast.practice import open_practice
    from jobs.imports import undo as undo_import

    n_rows = undo_import(open_practice(practice), number)
    print(f"import {number} was taken back, {n_rows:,} rows; its raw file stays in the archive")


def _run(kind: str, file: Path, folder: Path) -> None:
    show_import(_imported(kind, file, folder))


def _imported(
    kind: str,
    file: Path,
    folder: Path,
    *,
    layout: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Imported:
    from forecast.practice import open_practice
    from jobs.imports import import_file

    return import_file(open_practice(folder), kind, file, layout=layout, progress=progress)


def show_import(done: Imported) -> None:
    """Print what came of an import, the first findings in full."""
    print(done.sentence)
    worst = [f for f in done.findings if f.severity != "note"]
    for finding in worst[:SHOWN]:
        print(f"  {finding.severity}: {finding.sentence}")
    if len(worst) > SHOWN:
        print(f"  ... and {len(worst) - SHOWN} more" + (f": {done.report}" if done.report else ""))
    if done.forgotten:
        print(done.forgotten)

"""Privacy: erase an owner, or write down all that is held on one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from forecast.privacy import Erased

erase = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Erase somebody for good.")
export = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Write down all that is held on somebody."
)
Number = Annotated[str, typer.Argument(metavar="NUMBER", help="The practice's own number.")]


@erase.command("owner")
def erase_owner(
    number: Number,
    practice: PracticeFolder = Path(),
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    delete_unreadable: Annotated[
        bool,
        typer.Option(help="Delete raw files in which the owner's rows cannot be told from others."),
    ] = False,
) -> None:
    """Erase an owner and the owner's dogs: names, contact, notes, rows of raw files.

    Counts, plans and the list of runs stay; they name nobody. It cannot be undone. Back-ups are not
    reached: when one is put back, who was erased is erased again at the next start.
    """
    from forecast.practice import open_practice
    from jobs.privacy import erase as erase_for_good

    opened = open_practice(practice)
    if not yes:
        typer.confirm(f"Erase the owner {number} and all dogs, for good?", abort=True)
    _show(erase_for_good(opened, number, delete_unreadable=delete_unreadable))


def _show(done: Erased) -> None:
    print(
        f"erased: the owner, {done.n_dogs} dogs, {done.n_raw_rows} rows of raw files"
        + (f", {len(done.rewritten)} files of ours rewritten:" if done.rewritten else "")
    )
    for path in done.rewritten:
        print(f"  {path} was rewritten without them")
    for path, why in done.unreadable.items():
        print(f"  {path.name}: {'deleted, as ' if done.deleted else ''}{why}")
    if done.unreadable and not done.deleted:
        print(
            "  They may hold rows of the owner; `--delete-unreadable` deletes them whole, or write "
            "a layout that fits and erase again"
        )
    for remark in done.remarks:
        print(f"  {remark}")
    for path in done.still_named:
        print(f"  {path} still holds the name; delete it, or take the name out")


@erase.command("staff")
def erase_staff(
    number: Number,
    practice: PracticeFolder = Path(),
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Erase who a member of staff is: number and name, and rosters that were written with them.

    Terms and leave stay under a random id. It cannot be undone. Back-ups are not reached: when one
    is put back, who was erased is erased again at the next start.
    """
    from forecast.practice import open_practice
    from jobs.privacy import erase_from_staff

    opened = open_practice(practice)
    if not yes:
        typer.confirm(f"Erase the member of staff {number}, for good?", abort=True)
    done = erase_from_staff(opened, number)
    print(f"erased: the member of staff; {len(done.deleted)} rosters that named them deleted")
    for remark in done.remarks:
        print(f"  {remark}")
    for path in done.still_named:
        print(f"  {path} still holds the name; delete it, or take the name out")


@export.command("staff")
def export_staff(
    number: Number,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file, to be written (JSON).")],
    practice: PracticeFolder = Path(),
) -> None:
    """Write all that is held on a member of staff: number, name, terms, leave, shifts of plans."""
    from forecast.practice import open_practice
    from jobs.privacy import give_out_of_staff

    give_out_of_staff(open_practice(practice), number, file)
    print(f"{file}: all that is held on the member of staff; readable by you alone")


@export.command("owner")
def export_owner(
    number: Number,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file, to be written (JSON).")],
    practice: PracticeFolder = Path(),
) -> None:
    """Write all that is held on an owner: dogs, homes, visits, notes, therapies, scores, plans."""
    from forecast.practice import open_practice
    from jobs.privacy import give_out

    n_dogs = give_out(open_practice(practice), number, file)
    print(f"{file}: all that is held on the owner and {n_dogs} dogs; readable by you alone")

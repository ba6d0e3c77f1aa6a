"""The letters' desk: letters, calendars and their cancellation, the recall list."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import PracticeFolder


def letters(
    practice: PracticeFolder = Path(),
    dog: Annotated[
        list[str] | None, typer.Option(help="The practice's number of a dog; repeat for more.")
    ] = None,
    everyone: Annotated[
        bool, typer.Option("--all", help="Every signed plan whose days the owner was not told.")
    ] = False,
    cancel: Annotated[
        bool, typer.Option("--cancel", help="Cancel calendars in which nothing stands any more.")
    ] = False,
    therapy: Annotated[str, typer.Option(help="Class of therapy.")] = "anti_il31_antibody",
) -> None:
    """Write letters and calendars to be handed over; what goes out is written down.

    Whose owner may not be written to, or whose plan no vet has signed, is left out and said.
    """
    from forecast.dosing.desk import dogs_by_number
    from forecast.practice import open_practice
    from jobs.letters import Written, write_cancellations, write_letters
    from jobs.opening import open_all
    from models.words import number_of

    if (bool(dog) + everyone + cancel) != 1:
        raise typer.BadParameter("give --dog NUMBER, --all or --cancel, one of them")
    opened = open_practice(practice)
    records, _ = open_all(opened)
    if cancel:
        done: Written = write_cancellations(opened, records)
    else:
        ids = dogs_by_number(records, dog) if dog else None
        done = write_letters(opened, records, dogs=ids, therapy=therapy)
    for path in done.files:
        print(path)
    for name, n in done.languages.most_common():
        print(f"{number_of(n, 'letter')} in {name}")
    for sentence in done.remarks:
        print(sentence)
    for sentence in done.refused:
        print(f"left out: {sentence}")
    if not done.files and not done.refused:
        print("nothing to hand over")
    if done.refused and not done.files:
        raise typer.Exit(1)


def recall(
    practice: PracticeFolder = Path(),
    within: Annotated[
        int, typer.Option(min=0, max=365, help="Days ahead within which a signed dose counts.")
    ] = 21,
) -> None:
    """Write whom to call, with contacts, to recall.csv and recall.xlsx; say who is left out."""
    from collections import Counter

    from forecast.letters.calendars_due import calendars_due
    from forecast.pages.dog_list import DogLists
    from forecast.practice import open_practice
    from jobs.letters import write_recall
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, _ = open_all(opened)
    dogs = DogLists().listed(opened, records).rows
    found, files = write_recall(opened, records, dogs, within=within)
    for call, n in Counter(one.what for one in found.rows).items():
        print(f"{call}: {n}")
    for why, n in Counter(one.closed_because for one in found.left_out).most_common():
        print(f"left out, {n}: {why}")
    for one in calendars_due(opened, records):
        print(f"calendar of dog {one.gate.number} {one.task}: {one.why}")
    for path in files:
        print(path)

"""Forecasts: issue one, plan from it, tell what flare visits follow."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import AsOf, PracticeFolder


def issue(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    learn: Annotated[
        bool, typer.Option("--learn", help="Learn anew even where a model is fit.")
    ] = False,
) -> None:
    """Issue a forecast from what is held, learning first where it is time; print the answer."""
    from forecast.practice import open_practice
    from forecast.skill import record
    from forecast.training import what_drives
    from jobs.console import (
        heading,
        paragraph,
        say,
        show_evidence,
        show_files,
        show_issue,
        show_review,
        show_weeks_coming_in,
        show_what_cover_decides,
    )
    from jobs.draw import told_beside
    from jobs.issue import issue_today
    from jobs.opening import open_all
    from jobs.outputs import write_outputs
    from jobs.verify import verify

    opened = open_practice(practice)
    records, climate = open_all(opened)
    origin = as_of or opened.today
    done = issue_today(opened, records, climate, origin=origin, say=say, learn_anew=learn)
    show_issue(opened, done.issue)
    beside = told_beside(opened, done.issue, done.model, done.known)
    show_weeks_coming_in(beside)
    evidence = what_drives(done.model, done.known)
    show_evidence(evidence)
    show_review(done.model.review)
    show_what_cover_decides(opened, beside)
    say("drawing charts")
    show_files(write_outputs(opened, done.issue, evidence=evidence, beside=beside))
    if done.issue.has_visits:
        if done.issue.cut.kind == "issued":
            verify(opened, records, say=say)
        heading("How the forecasts issued before did")
        paragraph(record(opened, records).sentence)


def plan(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    dog: Annotated[
        list[str] | None, typer.Option(help="The practice's number of a dog; repeat for more.")
    ] = None,
    therapy: Annotated[str, typer.Option(help="Class of therapy to plan.")] = "anti_il31_antibody",
) -> None:
    """Propose dated doses from the latest issue; a vet decides. All go to plans.csv."""
    from forecast.dosing.desk import dogs_by_number
    from forecast.issuing import latest_issue
    from forecast.practice import open_practice
    from jobs.console import say
    from jobs.console_plans import show_plans
    from jobs.opening import open_all
    from jobs.outputs import write_plans
    from jobs.plan import plan as run_plan

    opened = open_practice(practice)
    records, _ = open_all(opened)
    made = latest_issue(opened, records, as_of=as_of)
    ids = dogs_by_number(records, dog) if dog else None
    plans = run_plan(
        opened,
        records,
        made,
        dogs=ids,
        therapy_id=therapy,
        today=as_of or made.cut.origin,
        say=say,
    )
    # dogs asked for by number are told in full; the others have their reasons in the file
    file = write_plans(opened, records, made, plans) if made.has_visits and not dog else None
    show_plans(records, made, plans, in_full=bool(dog), file=file)


def culprits(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    dog: Annotated[
        list[str] | None,
        typer.Option(help="The practice's number of a dog, for its own odds; repeat for more."),
    ] = None,
) -> None:
    """Tell which exposure flare visits follow beyond the season, as far as that can be told."""
    from forecast.dosing.desk import dogs_by_number
    from forecast.issuing import latest_issue
    from forecast.practice import open_practice
    from jobs.console import say
    from jobs.console_culprits import show_culprits, show_dog
    from jobs.culprits import culprits_of
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, climate = open_all(opened)
    made = latest_issue(opened, records, as_of=as_of)
    ids = dogs_by_number(records, dog or ())
    told, own = culprits_of(opened, records, climate, made, say=say, dogs=ids)
    show_culprits(told)
    for number, dog_id in zip(dog or (), ids, strict=True):
        show_dog(number, own[dog_id])


def remake(
    issue_id: Annotated[str, typer.Argument(metavar="ISSUE", help="Id of an issue.")],
    practice: PracticeFolder = Path(),
) -> None:
    """Make an issue again from what it pinned, and say whether it came out the same."""
    from forecast.practice import open_practice
    from forecast.remaking import remake as make_again
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, climate = open_all(opened)
    made = make_again(opened, records, climate, issue_id=issue_id)
    print(made.sentence)
    if not made.same_arrays:
        raise typer.Exit(1)

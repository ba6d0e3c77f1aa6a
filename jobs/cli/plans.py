"""Plans: when to dose which dog, from the latest issue."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import AsOf, DayError, PracticeFolder

_DAYS_IN = {"d": 1, "w": 7}


class AskingError(DayError):
    """What was asked of a plan cannot be."""


def read_span(text: str | int) -> int:
    """Read a number of days, or of weeks, such as 21d or 3w."""
    found = re.fullmatch(r"(\d{1,3})([dw]?)", str(text).strip().lower())
    if found is None:
        raise AskingError(
            f"--due-within {text!r} was given; write days or weeks, such as 21d or 3w"
        )
    return int(found[1]) * _DAYS_IN[found[2] or "d"]


def plan(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    patient: Annotated[
        list[str] | None,
        typer.Option("--patient", "--dog", help="The practice's number of a dog; repeat for more."),
    ] = None,
    everyone: Annotated[
        bool, typer.Option("--all", help="Every dog of the practice; so it is without --patient.")
    ] = False,
    due_within: Annotated[
        int | None,
        typer.Option(
            parser=read_span,
            metavar="21d",
            help="Show only dogs to be seen now, or with a dose within so many days or weeks.",
        ),
    ] = None,
    therapy: Annotated[str, typer.Option(help="Class of therapy to plan.")] = "anti_il31_antibody",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print it as CSV, without names.")] = False,
) -> None:
    """Propose dated doses from the latest issue; a vet decides. All go to plans.csv.

    What a vet has signed stays as it is; it is said where a new forecast would put it elsewhere.
    """
    import json

    from forecast.dosing.desk import dogs_by_number
    from forecast.dosing.plan_list import due_within as those_due
    from forecast.dosing.plan_list import plan_values, plans_csv
    from forecast.issuing import latest_issue
    from forecast.practice import open_practice
    from jobs.console import say
    from jobs.console_plans import show_plans
    from jobs.opening import open_all
    from jobs.outputs import write_plans
    from jobs.plan import plan as run_plan

    _refuse_both(patient, everyone, as_json=as_json, as_csv=as_csv)
    opened = open_practice(practice)
    records, _ = open_all(opened)
    made = latest_issue(opened, records, as_of=as_of)
    ids = dogs_by_number(records, patient) if patient else None
    today = as_of or made.cut.origin
    plans = run_plan(opened, records, made, dogs=ids, therapy_id=therapy, today=today, say=say)
    # dogs asked for by number are told in full; the others have their reasons in the file
    file = write_plans(opened, records, made, plans) if made.has_visits and not patient else None
    shown = plans if due_within is None else those_due(plans, due_within, today=today)
    if as_json:
        print(json.dumps(plan_values(records, shown), ensure_ascii=False, indent=2))
    elif as_csv:
        print(plans_csv(records, shown), end="")
    else:
        show_plans(records, made, shown, in_full=bool(patient), file=file, within=due_within)


def _refuse_both(patient: list[str] | None, everyone: bool, *, as_json: bool, as_csv: bool) -> None:
    if patient and everyone:
        raise AskingError("--patient and --all were given, some dogs and every dog; leave one out")
    if as_json and as_csv:
        raise AskingError("--json and --csv were given; a plan is printed as one of them")

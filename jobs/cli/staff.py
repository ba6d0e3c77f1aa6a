"""Staff: plan who works where, what to order, and what a change would do."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import AsOf, PracticeFolder


def staff(
    practice: PracticeFolder = Path(),
    as_of: AsOf = None,
    weeks: Annotated[str, typer.Option(help="How many weeks, 1 to 26.", metavar="N")] = "16",
    service: Annotated[
        str,
        typer.Option(
            help="Share of futures in which hours, slots and stock are to suffice; empty: your "
            "costs decide.",
            metavar="SHARE",
        ),
    ] = "0.9",
    keep_agreed: Annotated[
        bool, typer.Option("--keep-agreed", help="Agreed weeks stand as they are; plan the rest.")
    ] = False,
    what_if: Annotated[
        str,
        typer.Option(
            "--what-if",
            metavar="CHANGE",
            help="Try a change instead: what=hours,branch=ID,hours_more=1 or "
            "what=person,role=vet,branch=ID,hours=40 or what=closed,branch=ID,first=DAY,last=DAY "
            "or what=campaign,per_cent=10,weeks_earlier=3.",
        ),
    ] = "",
) -> None:
    """Plan staff and stock from the latest issue: load, roster, odds of overflow, orders, costs.

    The workbook and a calendar for each branch are written beside the issue's other files.
    """
    from forecast.practice import open_practice
    from forecast.staffing.asked import fields_of, service_asked, weeks_asked
    from jobs.console import say
    from jobs.console_staff import show_staffing, show_what_if
    from jobs.opening import open_all
    from jobs.staff import AskedOfStaff, try_staffing, write_staffing
    from jobs.staff import staff as plan_staff

    opened = open_practice(practice)
    records, _ = open_all(opened)
    asked = AskedOfStaff(weeks_asked(weeks), service_asked(service), keep_agreed)
    today = as_of or opened.today
    if what_if:
        fields = fields_of(what_if)
        show_what_if(
            try_staffing(opened, records, asked=asked, fields=fields, today=today, say=say)
        )
        return
    done = plan_staff(opened, records, asked=asked, today=today, say=say)
    names = {one.id: one.name for one in done.desk.branches.values()}
    invented = opened.settings.practice.invented
    show_staffing(done, names, invented=invented, files=write_staffing(opened, done))

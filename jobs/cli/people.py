"""People who sign in to the pages: who they are, a way in for them, and what was written down."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder, read_day

if TYPE_CHECKING:
    from forecast.practice import Practice
    from forecast.records import Records

people = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Who may sign in to the pages, and what they did.",
)
Email = Annotated[str, typer.Argument(metavar="EMAIL", help="The mail address they sign in with.")]


@people.command("list")
def list_people(practice: PracticeFolder = Path()) -> None:
    """List everybody who has an account."""
    from forecast.accounts.people import accounts
    from jobs.console_people import show_people

    with _records(practice) as (opened, records):
        show_people(accounts(records), today=opened.local_date)


@people.command()
def invite(
    email: Email,
    name: Annotated[str, typer.Option(help="Their name.")],
    role: Annotated[str, typer.Option(help="manager, vet, nurse, desk or administrator.")],
    branch: Annotated[
        list[str] | None, typer.Option(help="Only this branch; say it again for more.")
    ] = None,
    until: Annotated[
        date | None,
        typer.Option(parser=read_day, metavar="YYYY-MM-DD", help="Their last day, as a locum."),
    ] = None,
    practice: PracticeFolder = Path(),
) -> None:
    """Make an account, and a link by which its owner sets a password; the link is shown once."""
    from forecast.accounts.links import invite as invite_person
    from forecast.accounts.roles import role_of
    from jobs.console_people import show_link

    with _records(practice) as (opened, records):
        link = invite_person(
            records,
            name=name,
            email=email,
            role=role_of(role),
            branches=branch or (),
            until=until,
            by=None,
            now=opened.now,
        )
        show_link(opened, link)


@people.command()
def link(
    email: Annotated[
        str | None,
        typer.Argument(metavar="[EMAIL]", help="Whose; not given, the first administrator's."),
    ] = None,
    without_second_factor: Annotated[
        bool, typer.Option("--without-second-factor", help="Also switch their second factor off.")
    ] = False,
    practice: PracticeFolder = Path(),
) -> None:
    """Show a link for a new password, or for the first administrator where there is none yet."""
    from forecast.accounts.links import first_link, new_link
    from forecast.accounts.people import AccountError, by_email
    from jobs.console_people import show_link

    with _records(practice) as (opened, records):
        if email is None:
            made = first_link(records, now=opened.now)
            if made is None:
                raise AccountError(
                    "a link for the first administrator was asked for, and there is one already; "
                    "name whose link it is to be, `forepaw people list` shows their addresses"
                )
        else:
            made = new_link(
                records,
                by_email(records, email).id,
                without_second_factor=without_second_factor,
                by=None,
                now=opened.now,
            )
        show_link(opened, made)


@people.command()
def revoke(
    email: Email,
    forget: Annotated[
        bool, typer.Option("--forget", help="Erase name and mail address too, for good.")
    ] = False,
    practice: PracticeFolder = Path(),
) -> None:
    """Deactivate an account; wherever it is signed in, that ends at once."""
    from forecast.accounts import people as accounts

    with _records(practice) as (opened, records):
        held = accounts.by_email(records, email)
        accounts.set_active(records, held.id, False, by=None, now=opened.now)
        if forget:
            accounts.forget(records, held.id, by=None, now=opened.now)
    print(f"{email}: deactivated" + ("; name and mail address are erased" if forget else ""))


@people.command()
def audit(
    head: Annotated[
        str | None, typer.Option(metavar="HASH", help="A head written down before, to be found.")
    ] = None,
    newest: Annotated[int, typer.Option(min=0, help="How many of the last entries to show.")] = 20,
    practice: PracticeFolder = Path(),
) -> None:
    """Verify the audit, and show its last entries; exit code 1 if it was tampered with."""
    from forecast.accounts.audit import entries, verify_audit
    from jobs.console_people import show_audit

    with _records(practice) as (opened, records):
        found = verify_audit(records, earlier_head=head)
        show_audit(opened, found, entries(records, newest=newest))
    if found.broken_at is not None or found.has_earlier_head is False:
        raise typer.Exit(1)


@contextmanager
def _records(folder: Path) -> Iterator[tuple[Practice, Records]]:
    from forecast.practice import open_practice
    from forecast.records import open_records

    opened = open_practice(folder)
    records = open_records(opened)
    try:
        yield opened, records
    finally:
        records.close()

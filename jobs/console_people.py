"""What `forepaw people` prints."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from forecast.accounts.audit import Audit, Entry
from forecast.accounts.links import Link
from forecast.accounts.person import Account
from forecast.pages.addresses import addresses
from forecast.practice import Practice
from jobs.console import console, heading, new_table, paragraph, print_table


def show_people(people: Sequence[Account], *, today: date) -> None:
    """Print everybody who has an account."""
    if not people:
        paragraph("Nobody has an account yet: `forepaw people link` shows a link for the first.")
        return
    table = new_table("name", "mail address", "role", "branches", "stands")
    table.columns[1].no_wrap = True  # to be copied whole
    for one in people:
        until = f", until {one.until}" if one.until else ""
        factor = ", second factor" if one.has_second_factor else ""
        table.add_row(
            one.name or ("(nobody yet)" if one.is_active else "(erased)"),
            one.email,
            one.role.value,
            " ".join(one.branches) or "all",
            f"{one.standing(today)}{until}{factor}",
        )
    print_table(table)


def show_link(practice: Practice, link: Link) -> None:
    """Print a one-time link, whole and unbroken, to be handed on."""
    whom = link.account.name or f"the first {link.account.role.value}"
    until = link.expires_at.astimezone(practice.time_zone)
    paragraph(
        f"A link for {whom}, good once, until {until:%Y-%m-%d %H:%M} ({practice.time_zone.key}). "
        "It is shown only now; whoever has it can use it."
    )
    public = addresses(practice.settings.pages).public
    console.print(f"{public}{link.path}", soft_wrap=True, markup=False)


def show_audit(practice: Practice, found: Audit, newest: Sequence[Entry]) -> None:
    """Print what the walk over the audit found, and its last entries."""
    if found.broken_at is not None:
        paragraph(
            f"The audit was tampered with: entry {found.broken_at} of {found.n} does not follow "
            "from those before it. Compare it with a back-up."
        )
    elif found.n == 0:
        paragraph("The audit is empty.")
    else:
        paragraph(f"The audit is whole: {found.n} entries, each following from those before it.")
    if found.has_earlier_head is not None:
        there = "is in it" if found.has_earlier_head else "is not in it, so entries were taken out"
        paragraph(f"The head that you named {there}.")
    if found.head is not None:
        paragraph("Its head; write it down elsewhere to find out later whether its end was cut:")
        console.print(found.head, markup=False, soft_wrap=True)
    if newest:
        heading(f"The last entries (times of {practice.time_zone.key})")
        table = new_table("when", "what", "by", "to")
        for one in newest:
            when = one.at.astimezone(practice.time_zone).strftime("%Y-%m-%d %H:%M")
            table.add_row(when, one.action, one.account_id or "-", one.subject or "-")
        print_table(table)

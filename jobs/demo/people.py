"""The demo's people: one of each role, whom anybody at this machine may be. In no other practice.

Nobody knows their passwords, which are drawn and thrown away: the only way in is the page that
`jobs.demo.entering` adds, and only `forepaw demo --serve` adds it.
"""

from __future__ import annotations

import secrets

from forecast.accounts.links import invite, use_link
from forecast.accounts.people import accounts
from forecast.accounts.person import Account
from forecast.accounts.roles import Role
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.vets import link_account, vets
from jobs.demo.errors import DemoError

NAMES = {
    Role.VET: "A vet",
    Role.MANAGER: "A practice manager",
    Role.NURSE: "A nurse",
    Role.DESK: "The front desk",
    Role.ADMINISTRATOR: "An administrator",
}
_HOST = "demo.invalid"  # RFC 2606: a name that is nobody's


def people_of_demo(practice: Practice, records: Records) -> dict[Role, Account]:
    """Return the demo's people by role; those that are lacking are made."""
    if not practice.settings.practice.invented:
        raise DemoError(
            "the demo's people were to be made in a practice that is not invented; nothing was "
            "changed"
        )
    today = practice.now.astimezone(practice.time_zone).date()
    held = {one.email: one for one in accounts(records)}
    for role, name in NAMES.items():
        email = email_of(role)
        if email in held:
            continue
        link = invite(records, name=name, email=email, role=role, by=None, now=practice.now)
        password = secrets.token_urlsafe(32)
        use_link(records, link.token, password, today=today, now=practice.now)
    by_email = {one.email: one for one in accounts(records)}
    known = vets(records)
    if known and not any(one.account_id for one in known):
        with records.writing() as connection:
            link_account(connection, known[0].id, by_email[email_of(Role.VET)].id)
    return {role: by_email[email_of(role)] for role in NAMES}


def email_of(role: Role) -> str:
    """Return the mail address of the demo's person of a role."""
    return f"{role.value}@{_HOST}"

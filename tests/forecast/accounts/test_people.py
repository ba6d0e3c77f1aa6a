"""Accounts: made, changed, ended; what is refused; roles and the records agree."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from sqlalchemy import insert

from forecast.accounts.audit import entries
from forecast.accounts.links import invite
from forecast.accounts.people import (
    AccountError,
    account,
    accounts,
    by_email,
    change,
    forget,
    set_active,
)
from forecast.accounts.person import Account
from forecast.accounts.roles import RIGHTS, Right, Role, RoleError, rights_of, role_of
from forecast.records.account_tables import ROLES
from forecast.records.tables import branch

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)


def invited(records, **more):
    asked = {"name": "Ann", "email": "ann@practice.example", "role": Role.VET} | more
    return invite(records, by=None, now=NOW, **asked).account


def test_roles_are_those_the_records_allow():
    """The table's rule names them again, as it stands below the accounts."""
    assert tuple(Role) == ROLES
    assert role_of(" Vet ") is Role.VET
    with pytest.raises(RoleError, match="'boss' was asked for; the roles are manager, vet"):
        role_of("boss")


def test_each_role_has_the_least():
    """As issue and design say: notes, signatures, sending, people each with those who need it."""

    def who(right):
        return {role for role in Role if right in rights_of(role)}

    assert who(Right.SIGN_PLANS) == {Role.VET}
    assert who(Right.SEND_ALERTS) == {Role.ADMINISTRATOR}
    assert who(Right.MANAGE_PEOPLE) == {Role.ADMINISTRATOR}
    assert who(Right.SEE_NOTES) == {Role.VET, Role.NURSE}
    assert who(Right.SEE_DOGS) == set(Role) - {Role.ADMINISTRATOR}
    assert who(Right.SEE_CONTACTS) == {Role.VET, Role.DESK}
    assert who(Right.RECORD_CARE) == {Role.VET, Role.NURSE}
    assert who(Right.OWN_ACCOUNT) == set(Role)
    assert not any(RIGHTS[role] == set(Right) - {Right.OWN_ACCOUNT} for role in Role)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"email": "ann"}, "looks like name@practice.example"),
        ({"email": "a@b@c.example"}, "looks like"),
        ({"email": "a b@c.example"}, "looks like"),
        ({"name": "  "}, "a name was asked for"),
        ({"name": "A\x00nn"}, "a name was asked for"),
        ({"name": "x" * 201}, "1 to 200 characters"),
        ({"email": "BO@practice.example"}, "there is one with that mail address already"),
        ({"branches": ["nowhere"]}, r"branch 'nowhere' was asked for; the branches are: b1, b2"),
    ],
)
def test_a_slip_is_refused_and_nothing_is_made(records, make_person, more, words):
    """The sentence says what is allowed."""
    bo = make_person("bo")
    with records.writing() as connection:
        for one in ("b1", "b2"):
            row = {"id": one, "name": one, "region_id": "seoul", "open_days": "mon"}
            connection.execute(insert(branch).values(row))
    n_before = len(entries(records, newest=100))
    with pytest.raises(AccountError, match=words):
        invited(records, **more)
    assert accounts(records) == [bo]
    assert len(entries(records, newest=100)) == n_before


def test_an_account_is_found_by_its_mail_address(records):
    """Whatever its case; nobody's is refused in a sentence."""
    ann = invited(records)
    assert by_email(records, "ANN@PRACTICE.EXAMPLE") == ann == account(records, ann.id)
    with pytest.raises(AccountError, match="nobody here has that"):
        by_email(records, "bo@practice.example")
    with pytest.raises(AccountError, match="no such account"):
        account(records, "nobody")


def test_a_change_is_written_down_and_no_change_is_not(records):
    """By whom, to whom."""
    ann = invited(records)
    n_before = len(entries(records, newest=100))
    same = {"role": Role.VET, "branches": (), "until": None}
    change(records, ann.id, **same, by="x", now=NOW)
    assert len(entries(records, newest=100)) == n_before
    changed = change(records, ann.id, **same | {"until": TODAY}, by="x", now=NOW)
    assert changed.until == TODAY
    last = entries(records, newest=1)[0]
    assert (last.account_id, last.subject) == ("x", ann.id)


def test_the_last_administrator_stays(records, make_person):
    """Neither demoted, nor ended, nor deactivated; one who has not come yet does not count."""
    ida = make_person("ida", Role.ADMINISTRATOR)
    invited(records, role=Role.ADMINISTRATOR)
    keep = {"by": ida.id, "now": NOW}
    with pytest.raises(AccountError, match="nobody would be left"):
        change(records, ida.id, role=Role.VET, branches=(), until=None, **keep)
    over = {"role": Role.ADMINISTRATOR, "branches": (), "until": date(2024, 5, 30)}
    with pytest.raises(AccountError, match="nobody would be left"):
        change(records, ida.id, **over, **keep)
    with pytest.raises(AccountError, match="nobody would be left"):
        set_active(records, ida.id, False, **keep)
    assert account(records, ida.id) == ida
    make_person("bo", Role.ADMINISTRATOR)
    set_active(records, ida.id, False, **keep)
    assert account(records, ida.id).standing(TODAY) == "deactivated"


def test_a_forgotten_account_has_no_name_and_its_deeds_stay(records, make_person):
    """Only one that is deactivated; its mail address is free again."""
    make_person("ida", Role.ADMINISTRATOR)
    bo = make_person("bo")
    with pytest.raises(AccountError, match="still active"):
        forget(records, bo.id, by=None, now=NOW)
    n_before = len(entries(records, newest=100, account_id=bo.id))
    set_active(records, bo.id, False, by=None, now=NOW)
    forget(records, bo.id, by=None, now=NOW)
    held = account(records, bo.id)
    assert (held.name, held.email) == ("", "")
    assert len(entries(records, newest=100, account_id=bo.id)) == n_before + 2
    assert make_person("bo").id != bo.id


def test_how_an_account_stands():
    """Deactivated before ended before invited before active."""
    held = {"id": "a", "name": "", "email": "", "role": Role.VET, "until": TODAY}
    assert Account(**held).standing(TODAY) == "active"
    assert Account(**held).standing(date(2024, 6, 1)) == "ended"
    assert Account(**held, has_password=False).standing(TODAY) == "invited"
    assert Account(**held, is_active=False).standing(date(2024, 6, 1)) == "deactivated"

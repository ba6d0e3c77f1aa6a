"""One-time links: once, for a while, for one account; and the first administrator's."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select

from forecast.accounts.links import account_of_link, first_link, invite, new_link, use_link
from forecast.accounts.passwords import PasswordError
from forecast.accounts.people import AccountError, accounts, set_active
from forecast.accounts.roles import Role
from forecast.accounts.signing_in import sign_in, who_sits
from forecast.records.account_tables import account_link

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)
PASSWORD, OTHER = "plum tractor violin", "seven quiet lanterns"
ASKED = {"today": TODAY, "now": NOW}


def invited(records, name="ann", role=Role.VET, **more):
    email = f"{name}@practice.example"
    return invite(records, name=name, email=email, role=role, by=None, now=NOW, **more)


def test_a_link_is_good_once(records):
    """Looking at it does not use it up, a refused password neither."""
    link = invited(records)
    for _ in range(2):
        assert account_of_link(records, link.token, **ASKED) == link.account
    with pytest.raises(PasswordError):
        use_link(records, link.token, "too short", **ASKED)
    session = use_link(records, link.token, PASSWORD, **ASKED)
    assert who_sits(records, session, **ASKED)[1].id == link.account.id
    with pytest.raises(AccountError, match="not good any more"):
        use_link(records, link.token, OTHER, **ASKED)
    with records.reading() as connection:
        assert link.token not in str(connection.execute(select(account_link)).all())


def test_a_link_ends(records, make_person):
    """An invitation after a week, one for a new password after a day; by the table."""
    link = invited(records)
    assert link.expires_at == NOW + timedelta(days=7)
    late = NOW + timedelta(days=7)
    with pytest.raises(AccountError, match="not good any more"):
        account_of_link(records, link.token, today=late.date(), now=late)
    bo = make_person("bo")
    assert new_link(records, bo.id, by=None, now=NOW).expires_at == NOW + timedelta(days=1)


def test_a_newer_link_makes_the_older_void(records):
    """So one that went astray is called back by making another."""
    link = invited(records)
    newer = new_link(records, link.account.id, by=None, now=NOW)
    with pytest.raises(AccountError, match="not good any more"):
        account_of_link(records, link.token, **ASKED)
    assert account_of_link(records, newer.token, **ASKED) == link.account


def test_a_new_password_ends_what_was_begun_with_the_old(records, make_person):
    """Sessions and the old password; a second factor that is on is still owed."""
    ann = make_person()
    before = sign_in(records, ann.email, PASSWORD, address="a", **ASKED).token
    link = new_link(records, ann.id, by=None, now=NOW)
    use_link(records, link.token, OTHER, **ASKED)
    assert who_sits(records, before, **ASKED) is None
    assert sign_in(records, ann.email, OTHER, address="a", **ASKED).is_whole


@pytest.mark.parametrize("why", ["deactivated", "ended"])
def test_a_link_of_an_account_that_is_over_is_not_good(records, make_person, why):
    """Deactivating takes its links away too."""
    admin = make_person("ida", Role.ADMINISTRATOR)
    link = invited(records, until=TODAY)
    today = TODAY
    if why == "deactivated":
        set_active(records, link.account.id, False, by=admin.id, now=NOW)
        with pytest.raises(AccountError, match="not active"):
            new_link(records, link.account.id, by=admin.id, now=NOW)
    else:
        today = date(2024, 6, 1)
    with pytest.raises(AccountError, match="not good any more"):
        use_link(records, link.token, PASSWORD, today=today, now=NOW)


def test_the_first_start_has_a_link_and_no_password(records):
    """Each start another; whoever takes it up says who they are. Then there is none any more."""
    void, link = first_link(records, now=NOW), first_link(records, now=NOW)
    with pytest.raises(AccountError):
        account_of_link(records, void.token, **ASKED)
    assert [one.role for one in accounts(records)] == [Role.ADMINISTRATOR]
    with pytest.raises(AccountError, match="a name was asked for"):
        use_link(records, link.token, PASSWORD, **ASKED)
    use_link(records, link.token, PASSWORD, name="Ida", email="ida@practice.example", **ASKED)
    assert first_link(records, now=NOW) is None
    assert sign_in(records, "ida@practice.example", PASSWORD, address="a", **ASKED).is_whole


def test_a_name_of_the_link_is_not_taken_as_password(records):
    """Also of somebody who says only now who they are."""
    link = first_link(records, now=NOW)
    with pytest.raises(PasswordError, match="easily guessed"):
        use_link(
            records,
            link.token,
            "idabelle idabelle",
            name="Idabelle",
            email="i@practice.example",
            **ASKED,
        )

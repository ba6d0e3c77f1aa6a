"""The audit: every tampering with a row is noticed; readings of contacts are in it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import delete, insert, update

from forecast.accounts.audit import Action, entries, note_alone, verify_audit
from forecast.accounts.contacts import OwnerContact, read_contact
from forecast.accounts.people import AccountError
from forecast.accounts.roles import Right, Role
from forecast.records.account_tables import audit_entry
from forecast.records.tables import owner

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)


@pytest.fixture
def chain(records):
    """Write five entries a second apart, with a fraction of one."""
    for n in range(5):
        moment = NOW + timedelta(seconds=n, microseconds=n)
        note_alone(records, Action.NOTES_READ, by=f"a{n}", subject="s", now=moment)
    return records


def change(records, statement):
    with records.writing() as connection:
        connection.execute(statement)


def test_an_untouched_audit_is_whole(chain):
    """And an empty one too."""
    found = verify_audit(chain)
    assert (found.n, found.broken_at, found.has_earlier_head) == (5, None, None)
    assert found.head == entries(chain, newest=1)[0].sha256


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("account_id", "somebody"),
        ("account_id", None),
        ("action", "signed out"),
        ("subject", None),
        ("at", NOW),
        ("sha256", "0" * 64),
    ],
)
def test_a_changed_row_is_noticed(chain, column, value):
    """Whatever of it was changed."""
    change(chain, update(audit_entry).where(audit_entry.c.number == 3).values({column: value}))
    assert verify_audit(chain).broken_at == 3


def test_a_row_taken_out_or_put_in_is_noticed(chain):
    """Between the others; the first too."""
    change(chain, delete(audit_entry).where(audit_entry.c.number == 3))
    assert verify_audit(chain).broken_at == 4
    change(chain, delete(audit_entry).where(audit_entry.c.number == 1))
    assert verify_audit(chain).broken_at == 2
    put = {"number": 6, "at": NOW, "action": "signed in", "sha256": "1" * 64}
    change(chain, insert(audit_entry).values(put))
    assert verify_audit(chain).n == 4


def test_a_cut_end_is_noticed_by_who_kept_an_earlier_head(chain):
    """The chain alone cannot tell, and says so by being whole."""
    head = verify_audit(chain).head
    assert verify_audit(chain, earlier_head=head).has_earlier_head is True
    note_alone(chain, Action.NOTES_READ, by="a", now=NOW)
    assert verify_audit(chain, earlier_head=head).has_earlier_head is True
    change(chain, delete(audit_entry).where(audit_entry.c.number >= 5))
    cut = verify_audit(chain, earlier_head=head)
    assert (cut.broken_at, cut.has_earlier_head) == (None, False)


def test_every_reading_of_a_contact_is_written_down(records, make_person):
    """Who read whose, and when; also where there is no such owner. Not the contact itself."""
    vet = make_person()
    row = {"id": "o1", "name": "Owner", "contact": "owner@home.example"}
    change(records, insert(owner).values(row))
    told = read_contact(records, "o1", by=vet, now=NOW)
    assert told == OwnerContact("o1", "Owner", "owner@home.example")
    assert read_contact(records, "o2", by=vet, now=NOW) is None
    last = entries(records, newest=2)
    assert [(one.action, one.account_id, one.subject) for one in last] == [
        ("contact of an owner read", vet.id, "o2"),
        ("contact of an owner read", vet.id, "o1"),
    ]
    assert "home.example" not in str(entries(records, newest=100))


@pytest.mark.parametrize("role", [role for role in Role])
def test_only_roles_with_that_right_read_contacts(records, make_person, role):
    """The others are refused before anything is read."""
    make_person("ida", Role.ADMINISTRATOR)
    asking = make_person("bo", role)
    if asking.may(Right.SEE_CONTACTS):
        assert role in (Role.VET, Role.DESK)
        read_contact(records, "o", by=asking, now=NOW)
    else:
        with pytest.raises(AccountError, match="not part of the role"):
            read_contact(records, "o", by=asking, now=NOW)


def test_what_one_account_did_and_suffered(records, make_person):
    """By or to it, and no others."""
    one, other = make_person("one"), make_person("other")
    note_alone(records, Action.NOTES_READ, by=other.id, subject="v", now=NOW)
    found = entries(records, newest=100, account_id=one.id)
    assert found
    assert all(one.id in (entry.account_id, entry.subject) for entry in found)

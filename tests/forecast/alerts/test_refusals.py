"""Addresses at which somebody said no: by an answer, by a click, at a contact that has changed."""

from __future__ import annotations

from datetime import timedelta

import pytest
from alert_world import NOW, Person, add_people, make_practice, opened, settings
from sqlalchemy import insert, update

from forecast.alerts import refusals
from forecast.alerts.mail_addresses import MailAddress, address_key
from forecast.alerts.refusals import Refusals
from forecast.records import tables

KEY, DAY = b"k", NOW.date()
PEOPLE = [
    Person("no", "no@x.example", consent="no"),
    Person("yes", "yes@x.example"),
    Person("lost", "nobody at home", consent="no"),
]


def kept(spec: str) -> str:
    return address_key(MailAddress(spec), KEY)


@pytest.fixture
def records(tmp_path):
    held = opened(make_practice(tmp_path / "practice", settings()))
    add_people(held, PEOPLE)
    yield held
    held.close()


def test_a_no_is_of_the_address_and_a_later_yes_ends_it(records):
    """Seen with the next question, as an answer is new; one of tomorrow counts tomorrow."""
    held = Refusals(KEY)
    with records.writing() as connection:
        assert held.hold(connection, kept("no@x.example"), DAY)
        assert not held.hold(connection, kept("yes@x.example"), DAY)
        yes = {"owner_id": "no", "what": "messages", "answer": "yes", "date": DAY}
        connection.execute(insert(tables.consent), yes)
        assert not held.hold(connection, kept("no@x.example"), DAY)
        tomorrow = DAY + timedelta(days=1)
        no = {"owner_id": "yes", "what": "alerts", "answer": "no", "date": tomorrow}
        connection.execute(insert(tables.consent), no)
        assert not held.hold(connection, kept("yes@x.example"), DAY)
        assert held.hold(connection, kept("yes@x.example"), tomorrow)


def test_a_click_and_a_new_contact_are_seen_at_the_next_look(records, monkeypatch):
    """Whoever unsubscribed has another address by now, where somebody else lives too."""
    held = Refusals(KEY)
    with records.writing() as connection:
        assert not held.hold(connection, kept("new@x.example"), DAY)
        stop = {"id": "s", "owner_id": "yes", "address_key": "old", "reason": "unsubscribed"}
        connection.execute(insert(tables.alert_stop), stop | {"at": NOW})
        own = tables.owner.c.id == "yes"
        connection.execute(update(tables.owner).where(own).values(contact="New@x.example"))
        assert not held.hold(connection, kept("new@x.example"), DAY)
        monkeypatch.setattr(refusals, "LOOKS_EVERY", 0.0)
        assert held.hold(connection, kept("new@x.example"), DAY)

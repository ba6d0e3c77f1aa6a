"""Messages of alerts are reached by erasing, giving out and expiry, in records and outbox."""

from __future__ import annotations

from datetime import timedelta

import pytest
from alert_world import add_approved
from sqlalchemy import select

from forecast.alerts.lists import keep_list
from forecast.alerts.sending import preview_list
from forecast.alerts.unsubscribing import token_of, unsubscribe
from forecast.practice import open_practice
from forecast.privacy import erase_owner, forget_expired, held_on_owner
from forecast.private_files import write_private
from forecast.records.signing_keys import UNSUBSCRIBE, signing_key
from forecast.records.tables import alert_message, alert_stop, owner


@pytest.fixture
def told(practice, records):
    """Let an alert's mail to Ada lie in the outbox, and Ada unsubscribe by its link."""
    made = add_approved(records, region="seoul")
    drawn = preview_list(practice, records, made)
    keep_list(records, made, drawn, way="folder", partner=False, now=practice.now)
    with records.reading() as connection:
        ada = connection.scalar(select(owner.c.id).where(owner.c.reference == "K1"))
        own = select(alert_message.c.id).where(alert_message.c.owner_id == ada)
        message_id = connection.scalar(own)
    with records.writing() as connection:
        connection.execute(alert_message.update().values(state="sent"))
    folder = practice.outbox_folder / "alerts" / "a1"
    folder.mkdir(parents=True)
    file = folder / f"{message_id}.eml"
    write_private(file, b"To: ada@forepaw.invalid\r\n\r\nDear dog owner\r\n")
    key = signing_key(records, UNSUBSCRIBE, now=practice.now)
    unsubscribe(records, token_of(message_id, key), now=practice.now)
    return file


def rows(records, table) -> list:
    with records.reading() as connection:
        return connection.execute(select(table)).all()


def test_what_an_owner_was_told_is_given_out(practice, records, told):
    """The message, the stop, and the mail as it lies in the outbox."""
    held = held_on_owner(practice, records, "K1")
    assert [one["state"] for one in held["messages"]] == ["sent"]
    assert [one["reason"] for one in held["stops"]] == ["unsubscribed"]
    assert "ada@forepaw.invalid" in held["mails in the outbox"][told.name]


def test_erasing_takes_the_mail_and_what_could_tell_the_address(practice, records, told):
    """The message stays, as one to nobody."""
    assert any(row.address_key for row in rows(records, alert_message))
    done = erase_owner(practice, records, "K1")
    assert not told.exists()
    assert done.still_named == []
    assert not any(row.address_key for row in rows(records, alert_message))
    assert rows(records, alert_stop) == []
    assert {row.state for row in rows(records, alert_message)} == {"sent"}


def test_mails_go_after_the_months_that_are_asked(practice, records, told):
    """And hashes with them; who unsubscribed stays so."""
    kept = forget_expired(practice, records)
    assert (kept.n_mails, told.exists()) == (0, True)
    text = practice.settings_text.replace("[privacy]\n", "[privacy]\nalert_mails_months = 2\n")
    practice.settings_file.write_text(text, encoding="utf-8")
    for days, n_mails in ((60, 0), (62, 1)):
        later = open_practice(practice.folder, now=practice.now + timedelta(days=days))
        assert forget_expired(later, records).n_mails == n_mails
    assert not told.exists()
    assert not any(row.address_key for row in rows(records, alert_message))
    assert rows(records, alert_stop)[0].address_key

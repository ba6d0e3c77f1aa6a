"""Mails that came back: which address is stopped is told by our own message's id alone."""

from __future__ import annotations

import pytest
from alert_world import (
    NOW,
    Person,
    add_approved,
    add_people,
    make_practice,
    opened,
    settings,
    states,
)
from sqlalchemy import select

from forecast.accounts.audit import entries
from forecast.alerts.bounces import take_bounces
from forecast.alerts.lists import keep_list
from forecast.alerts.sending import preview_list
from forecast.records.tables import alert_message, alert_stop
from models.errors import ForepawError

# A report as RFC 3464 section 6 has it, with the headers of what came back (RFC 3462).
REPORT = """From: Mail Delivery <MAILER-DAEMON@x.example>
To: alerts@practice.example
Subject: Undelivered
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="b"

--b
Content-Type: text/plain

It could not be delivered.
--b
Content-Type: message/delivery-status

Reporting-MTA: dns; x.example

Final-Recipient: rfc822; somebody-else@y.example
Action: {action}
Status: {status}

--b
Content-Type: text/rfc822-headers

From: alerts@practice.example
Message-ID: <{message_id}@practice.example>

--b--
"""


@pytest.fixture(scope="module")
def sent(tmp_path_factory):
    """Give a practice that sent one message, and the message's id."""
    practice = make_practice(tmp_path_factory.mktemp("bounces") / "practice", settings())
    records = opened(practice)
    add_people(records, [Person("o", "o@x.example")])
    made = add_approved(records)
    drawn = preview_list(practice, records, made)
    keep_list(records, made, drawn, way="mail", partner=False, now=NOW)
    with records.writing() as connection:
        connection.execute(alert_message.update().values(state="sent"))
        message_id = connection.scalar(select(alert_message.c.id))
    yield records, message_id
    records.close()


def test_only_a_mailbox_that_is_not_there_stops_an_address(sent, tmp_path):
    """A full one, a delay, another mail and a strange id stop nothing; twice is once."""
    records, message_id = sent
    file = tmp_path / "back.eml"

    def take(text: str) -> str:
        file.write_text(text, encoding="ascii")
        return take_bounces(records, file, now=NOW).sentence

    def report(status="5.1.1", action="failed", of=message_id) -> str:
        return REPORT.format(status=status, action=action, message_id=of)

    assert take(report("4.2.2", "delayed")).startswith("0 addresses")
    assert take(report("5.2.2")).startswith("0 addresses")
    assert "1 other mails" in take("Subject: I am away\n\nback on Monday\n")
    assert take(report(of="0123456789abcdef")).startswith("0 addresses")
    assert states(records)["o"] == ("sent", None)
    mbox = "".join(f"From x Tue Apr 14 09:00:00 2026\n{report()}\n" for _ in range(2))
    assert take(mbox).startswith("1 addresses are not there")
    assert states(records)["o"] == ("refused", "it came back: no such mailbox")
    noted = [(one.action, one.subject) for one in entries(records, newest=5)]
    assert noted == [("owner's mail address stopped, as mail came back", "o")]
    with records.reading() as connection:
        assert connection.scalars(select(alert_stop.c.reason)).all() == ["bounced"]


def test_a_file_that_is_not_there_is_one_sentence(sent, tmp_path):
    """What was asked, and why not."""
    with pytest.raises(ForepawError, match="cannot be read"):
        take_bounces(sent[0], tmp_path / "none.eml", now=NOW)

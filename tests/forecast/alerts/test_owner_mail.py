"""The lines of a mail's head, as servers and mail programs read them."""

from __future__ import annotations

from datetime import UTC, datetime
from email import message_from_bytes, policy

import pytest

from forecast.alerts.mail_addresses import MailAddress
from forecast.alerts.owner_mail import Foot, OwnerMail, Part, Sender


@pytest.mark.parametrize(
    "subject",
    [
        "Short",
        "Withdrawn: Itchy dogs in Andong: the weeks with most flares seem to be over, we think",
        "Zurückgezogen: Hunde mit Juckreiz in Zürich: Wochen mit mehr Schüben könnten nahe sein",
    ],
)
def test_a_long_subject_is_folded_as_the_standard_asks(subject):
    """RFC 5322 section 2.2.3: lines of 78 at most, none of blanks alone; read, it is the same."""
    part = Part("de", subject, "Dear dog owner,\n\nit itches.")
    mail = OwnerMail(
        Sender("Praxis am See", "alerts@practice.example"),
        [part],
        [Foot("de", "why", "stop", "tell us")],
        datetime(2026, 4, 14, 9, tzinfo=UTC),
        "https://p.example/unsubscribe/",
    )
    written = mail.written("0123456789abcdef", MailAddress("o@x.example"), "Ada", token="t.1")
    head = written.split(b"\r\n\r\n")[0].split(b"\r\n")
    start = next(n for n, line in enumerate(head) if line.startswith(b"Subject:"))
    lines = [head[start]]
    while head[start + len(lines)].startswith(b" "):
        lines.append(head[start + len(lines)])
    assert all(len(line) <= 78 for line in lines)
    assert all(line.partition(b":")[2].strip() for line in lines[:1])
    assert all(line.strip() for line in lines)
    read = message_from_bytes(written, policy=policy.default)
    assert read["Subject"] == subject
    assert len(read.get_all("Subject")) == 1

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


EVIL = 'Eve\r\nBcc: all@x.example\n\n<script>\u2028X-Evil: 1\x00"\\'


def test_no_name_and_no_subject_writes_a_line_of_the_head():
    """Of the owner, of the practice and of the alert, whatever a register or a region holds."""
    mail = OwnerMail(
        Sender(EVIL, "alerts@practice.example", "office@practice.example"),
        [Part("en", EVIL, f"Dear dog owner,\n\n{EVIL}")],
        [Foot("en", EVIL, EVIL, EVIL)],
        datetime(2026, 4, 14, 9, tzinfo=UTC),
        "https://p.example/unsubscribe/",
    )
    written = mail.written("0123456789abcdef", MailAddress("o@x.example"), EVIL, token="t.1")
    head = written.split(b"\r\n\r\n")[0]
    names = [line.partition(b":")[0] for line in head.split(b"\r\n") if line[:1] not in b" \t"]
    assert sorted(name.decode() for name in names) == sorted(
        (
            *("To", "Message-ID", "Subject", "List-Unsubscribe", "List-Unsubscribe-Post", "From"),
            *("Reply-To", "Date", "Auto-Submitted", "MIME-Version", "Content-Type"),
            "Content-Language",
        )
    )
    assert b"\n" not in head.replace(b"\r\n", b"")
    assert b"\x00" not in head
    read = message_from_bytes(written, policy=policy.default)
    assert [one.addr_spec for one in read["To"].addresses] == ["o@x.example"]
    assert read["Bcc"] is read["X-Evil"] is None
    assert "<script" not in read.get_body(("html",)).get_content()

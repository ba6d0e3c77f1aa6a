"""Alerts on their way at the command line: sent, shown, withdrawn; consent and bounces."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from alert_world import Person, add_approved, add_people, make_practice, opened, settings

NEVER_QUIET = 'quiet_from = "03:00"\nquiet_until = "03:00"'


@pytest.fixture
def folder(tmp_path):
    """Make a practice whose alert is approved and about next week, as commands work today."""
    practice = make_practice(tmp_path / "practice", settings(more=NEVER_QUIET))
    records = opened(practice)
    add_people(records, [Person("o1", "o1@x.example"), Person("o2", None)])
    monday = datetime.now(UTC).date()
    add_approved(records, first_week=monday + timedelta(days=7))
    records.close()
    return practice.folder


def test_an_alert_is_sent_and_withdrawn(folder, forepaw):
    """One household; the folder outbox takes both messages; a second send sends nothing."""
    sent = forepaw("alert", "send", "a1", "--yes", "--practice", folder)
    assert sent.code == 0, sent.err
    assert "1 households would be written to" in sent.out
    mails = folder / "outbox" / "alerts" / "a1"
    assert len(list(mails.glob("*.eml"))) == 1
    assert forepaw("alert", "send", "a1", "--practice", folder).code == 0
    assert len(list(mails.glob("*.eml"))) == 1
    gone = forepaw("alert", "withdraw", "a1", "--why", "wrong", "--yes", "--practice", folder)
    assert gone.code == 0, gone.err
    (left,) = mails.glob("*.eml")  # the alert's own mail is taken away, its withdrawal lies there
    assert b"Subject: Withdrawn:" in left.read_bytes()
    assert "Its mails that stood here" in (mails / "WITHDRAWN.txt").read_text(encoding="utf-8")
    assert "withdrawn" in gone.out
    assert forepaw("alert", "consent", "K-o1", "no", "--practice", folder).code == 0
    refused = forepaw("alert", "consent", "nobody", "no", "--practice", folder)
    assert (refused.code, "'nobody'" in refused.err) == (2, True)
    doubted = forepaw("alert", "send", "a1", "--again", "x", "--practice", folder)
    assert doubted.code == 2
    assert "there is none of that id" in doubted.err
    stuck = forepaw("alert", "send", "a1", "--leave-out", "--practice", folder)
    assert (stuck.code, "nothing of that kind" in stuck.err) == (2, True)


def test_one_rule_is_stated_and_switched_for_all_regions(tmp_path, forepaw):
    """Or for one that is named, and never for neither or both."""
    zones = [(one, "Europe/Berlin") for one in ("north", "south")]
    folder = make_practice(tmp_path / "practice", settings(regions=zones)).folder
    stated = forepaw("alert", "rule", "--all", "--right", "3", "--practice", folder)
    assert stated.code == 0, stated.err
    assert "Alert rule of south, switched off" in stated.out
    on = forepaw("alert", "rule", "--all", "--on", "--practice", folder)
    assert [f"Alert rule of {one}, switched on" in on.out for one, _ in zones] == [True, True]
    for words in (("--right", "3"), ("north", "--all", "--right", "3")):
        assert forepaw("alert", "rule", *words, "--practice", folder).code == 2

"""An alert's whole life, on SQLite and on PostgreSQL."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from forecast.alerts import approving, desk
from forecast.alerts.rules import Stated, set_rule, switch
from forecast.practice import Practice, create_practice
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held


@pytest.fixture
def practice(tmp_path, small_settings, database, practice) -> Practice:
    return create_practice(tmp_path / "other", small_settings + database, now=practice.now)


def test_from_the_rule_to_the_withdrawal(practice, records, issued):
    """What was written comes back as it was, moments with their offset."""
    stated = Stated(1, 4, without_skill="send")
    set_rule(practice, records, "north", stated, by="a", now=practice.now)
    switch(records, "north", on=True, by="a", now=practice.now + timedelta(seconds=1))
    approving.approve_blocks(records, "en", by="vet", now=practice.now)
    approving.approve_blocks(records, "en", by="another", now=practice.now)
    assert [who for who, _ in texts_held.approved_blocks(records).values()] == ["vet"]
    made = desk.draft_due(practice, records, issued([0.0, 0.1, 0.5, 0.1])).alerts[0]
    assert held.alert(records, made.id) == made
    sha = texts_held.texts_sha256(texts_held.texts(records, made.id).values())
    for person in ("a", "b"):
        approving.approve(
            practice, records, made.id, shown_sha256=sha, n_recipients=None, by=person
        )
    held.begin_sending(records, made.id, now=practice.now)
    held.end_sending(records, made.id)
    assert held.sent_moments(records, before=practice.now) == []
    soon = practice.now + timedelta(seconds=1)
    assert held.sent_moments(records, before=soon) == [("north", practice.now)]
    held.withdraw(records, made.id, by="a", why="a slip", now=soon)
    gone = replace(
        made,
        state="withdrawn",
        approved_at=practice.now,
        sent_at=practice.now,
        withdrawn_at=soon,
        withdrawn_by="a",
        withdrawn_why="a slip",
    )
    assert held.alert(records, made.id) == gone
    assert rules_held.last_looks(records)["north"].is_on

"""The desk: what is drafted, who may approve it, and what of it the audit holds."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from forecast.accounts.audit import entries, verify_audit
from forecast.alerts import approving, desk
from forecast.alerts.checking import TextError
from forecast.alerts.errors import AlertError
from forecast.alerts.messages import INVENTED, POPULATION, STILL_ITCHING, WITHOUT_SKILL
from forecast.practice import parse_settings
from forecast.records import RecordsError
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.notices import notices, raise_notice

HIGH = [0.0, 0.1, 0.5, 0.5, 0.1, 0.1]


@pytest.fixture
def with_rule(records, rule):
    with records.writing() as connection:
        rules_held.add_rule(connection, rule)
    return rule


@pytest.fixture
def draft(practice, records, with_rule, issued):
    """Give a draft of the clock, its fixed blocks approved by a vet."""
    approving.approve_blocks(records, "en", by="vet", now=practice.now)
    return desk.draft_due(practice, records, issued(HIGH)).alerts[0]


def shown(records, draft) -> str:
    return texts_held.texts_sha256(texts_held.texts(records, draft.id).values())


def said(draft, words: str) -> dict[str, str]:
    """Return a text of other words that keeps its cautions."""
    return {"subject": "Itch", "body": " ".join([words, *desk.stays_in(draft, "en")])}


def approve(practice, records, draft, by, **given):
    sha = given.pop("sha", None) or shown(records, draft)
    return approving.approve(
        practice, records, draft.id, shown_sha256=sha, n_recipients=7, by=by, **given
    )


# ------------------------------------------------------------------------------ drafting
def test_an_issue_is_looked_at_once_and_drafts_what_is_due(practice, records, with_rule, issued):
    """A second look at the same issue drafts nothing more; nor does the next with a draft open."""
    issue = issued(HIGH)
    drafted = desk.draft_due(practice, records, issue)
    made = drafted.alerts[0]
    assert (made.kind, made.state, made.made_by) == ("sudden high week", "draft", "clock")
    assert (made.first_week, made.last_week) == (date(2023, 3, 20), date(2023, 3, 27))
    assert made.skill == "not known"
    assert desk.draft_due(practice, records, issue).alerts == ()
    again = desk.draft_due(practice, records, issued(HIGH, issue_id="i2"))
    assert again.alerts == ()
    assert again.why["north"] == "a draft waits for a decision"
    assert len(held.alerts(records)) == 1


def test_without_skill_the_text_gives_no_odds_though_the_draft_holds_them(records, draft):
    """The decision rests on odds; what is told of them hangs on the record."""
    assert draft.odds == pytest.approx(0.5)
    text = texts_held.texts(records, draft.id)["en"]
    assert "no odds" in text.body
    assert "1 in 2" not in text.body


def test_a_rule_that_is_off_drafts_nothing(practice, records, rule, issued):
    with records.writing() as connection:
        rules_held.add_rule(connection, replace(rule, is_on=False))
    assert desk.draft_due(practice, records, issued(HIGH)).why == {}


def test_leads_count_from_today_and_not_from_an_older_forecast(
    practice, records, with_rule, issued
):
    """On 27 March the weeks of 20 and 27 March are out of reach of a forecast of the 8th."""
    late = replace(practice, now=practice.now + timedelta(days=19))
    drafted = desk.draft_due(late, records, issued(HIGH))
    assert drafted.alerts == ()
    assert "highest odds within reach, 10%" in drafted.why["north"]


def test_a_hindcast_is_no_ground_for_an_alert(practice, records, with_rule, issued):
    issue = issued(HIGH)
    past = replace(issue, cut=replace(issue.cut, kind="hindcast"))
    drafted = desk.draft_due(practice, records, past)
    assert (drafted.alerts, drafted.why) == ((), {"north": "the newest forecast is a hindcast"})


def test_what_was_thrown_away_is_not_drafted_again_the_next_day(practice, records, draft, issued):
    desk.discard(records, draft.id, by="a", now=practice.now)
    tomorrow = replace(practice, now=practice.now + timedelta(days=1))
    again = desk.draft_due(tomorrow, records, issued(HIGH, issue_id="i2"))
    assert again.alerts == ()
    assert "gap" in again.why["north"] or "is on" in again.why["north"]


def test_a_person_may_ask_for_a_draft_that_the_odds_bear_out(practice, records, with_rule, issued):
    issue = issued(HIGH)
    made = desk.draft_by_hand(practice, records, issue, "north", kind="peak near", by="a")
    assert (made.kind, made.made_by, made.first_week) == ("peak near", "a", date(2023, 3, 20))
    with pytest.raises(AlertError, match="the season is not over"):
        desk.draft_by_hand(practice, records, issue, "north", kind="season over", by="a")
    with pytest.raises(AlertError, match="state the region's rule first"):
        desk.draft_by_hand(practice, records, issue, "south", kind="peak near", by="a")
    with records.writing() as connection:
        rules_held.add_rule(connection, replace(with_rule, id="g", region_id="gone"))
    with pytest.raises(AlertError, match=r"'gone' was asked for; practice\.toml has north, south"):
        desk.draft_by_hand(practice, records, issue, "gone", kind="peak near", by="a")
    assert len(held.alerts(records)) == 1


# ------------------------------------------------------------------------------ approving
def test_of_a_draft_of_the_clock_two_people_have_to_approve(practice, records, draft):
    assert approve(practice, records, draft, "a").state == "draft"
    with pytest.raises(AlertError, match="you did so already"):
        approve(practice, records, draft, "a")
    assert approve(practice, records, draft, "b").state == "approved"
    kept = texts_held.decisions(records, draft.id)
    assert {(one.decided_by, one.n_recipients) for one in kept} == {("a", 7), ("b", 7)}


def test_nobody_approves_what_they_alone_wrote_and_one_other_is_enough(practice, records, draft):
    desk.edit(records, draft.id, "en", **said(draft, "Call us."), by="a", now=practice.now)
    with pytest.raises(AlertError, match="you wrote this text"):
        approve(practice, records, draft, "a")
    assert approve(practice, records, draft, "b").state == "approved"


def test_an_edit_makes_an_approval_void_and_the_alert_a_draft_again(practice, records, draft):
    approve(practice, records, draft, "a")
    approve(practice, records, draft, "b")
    text = desk.edit(records, draft.id, "en", **said(draft, "Call us."), by="b", now=practice.now)
    assert text.number == 2
    assert held.alert(records, draft.id).state == "draft"
    assert [one.number for one in texts_held.text_history(records, draft.id)] == [2, 1]
    assert approving.valid_approvals(records, [text]) == []


def test_a_text_that_a_season_is_over_keeps_the_sentence_about_one_dog(
    practice, records, draft, monkeypatch
):
    """Else it would reassure about one dog; how its lines are broken is the writer's."""
    over = replace(draft, kind="season over", facts={**draft.facts, "kind": "season over"})
    monkeypatch.setattr(desk.held, "alert", lambda *_: over)
    given = {"subject": "Over", "by": "a", "now": practice.now}
    with pytest.raises(TextError, match="says nothing about any one dog"):
        desk.edit(records, draft.id, "en", body="The season is over.", **given)
    body = said(over, "The season seems over.")["body"].replace(" many allergic", "\nmany allergic")
    assert STILL_ITCHING not in body
    assert desk.edit(records, draft.id, "en", body=body, **given).number == 2


@pytest.mark.parametrize("caution", [INVENTED, POPULATION, WITHOUT_SKILL["not known"]])
def test_an_edit_leaves_no_caution_out(practice, records, draft, caution):
    """That it is a trial of an invented practice, of no one dog, and why it has no odds."""
    text = said(draft, "Call us.")
    text["body"] = text["body"].replace(caution, "")
    with pytest.raises(TextError, match="must say, as it did") as refused:
        desk.edit(records, draft.id, "en", **text, by="a", now=practice.now)
    assert caution in str(refused.value)
    assert len(texts_held.text_history(records, draft.id)) == 1


def test_who_saw_another_text_does_not_approve_this_one(practice, records, draft):
    before = shown(records, draft)
    desk.edit(records, draft.id, "en", **said(draft, "Call."), by="a", now=practice.now)
    with pytest.raises(AlertError, match="changed its text since"):
        approve(practice, records, draft, "b", sha=before)


def test_one_person_is_enough_where_practice_toml_says_so(practice, records, draft):
    text = practice.settings_text + "\n[alerts]\nfour_eyes = false\n"
    alone = replace(practice, settings=parse_settings(text))
    assert approve(alone, records, draft, "a").state == "approved"


def test_a_no_after_a_yes_counts(practice, records, draft):
    approve(practice, records, draft, "a")
    approving.refuse(records, draft.id, remark="too early", by="b", now=practice.now)
    assert approve(practice, records, draft, "c").state == "draft"


def test_nothing_is_approved_without_a_vet_behind_the_fixed_blocks(
    practice, records, with_rule, issued
):
    made = desk.draft_due(practice, records, issued(HIGH)).alerts[0]
    with pytest.raises(AlertError, match="no vet has approved the fixed blocks in en"):
        approve(practice, records, made, "a")


def test_a_rule_holds_back_what_has_no_skill_unless_it_says_otherwise(
    practice, records, rule, draft
):
    with records.writing() as connection:
        later = practice.now + timedelta(minutes=1)
        holding = replace(rule, id="h", without_skill="hold", made_at=later)
        rules_held.add_rule(connection, holding)
    with pytest.raises(AlertError, match="skill not yet known"):
        approve(practice, records, draft, "a")


def test_what_speaks_of_weeks_that_have_begun_is_not_approved(practice, records, draft):
    late = replace(practice, now=practice.now + timedelta(days=12))  # Monday 20 March
    with pytest.raises(AlertError, match="have begun"):
        approve(late, records, draft, "a")


# ------------------------------------------------------------------------------ what is kept
def test_the_audit_holds_every_step_and_the_hash_of_the_text(practice, records, draft):
    approve(practice, records, draft, "a")
    sha = shown(records, draft)
    desk.discard(records, draft.id, by="b", now=practice.now)
    told = [(one.action, one.account_id, one.subject) for one in entries(records, newest=3)][::-1]
    assert told == [
        ("alert drafted", None, draft.id),
        ("alert approved", "a", f"{draft.id} {sha}"),
        ("alert thrown away", "b", draft.id),
    ]
    assert verify_audit(records).broken_at is None


def test_states_change_once_and_in_order(practice, records, draft):
    """An alert that was not approved does not go out; what went out is withdrawn once."""
    with pytest.raises(RecordsError, match="was to become sending; it is draft"):
        held.begin_sending(records, draft.id, now=practice.now)
    approve(practice, records, draft, "a")
    approve(practice, records, draft, "b")
    held.begin_sending(records, draft.id, now=practice.now)
    held.begin_sending(records, draft.id, now=practice.now + timedelta(hours=1))  # after a crash
    assert held.alert(records, draft.id).sent_at == practice.now
    held.end_sending(records, draft.id)
    with pytest.raises(RecordsError, match="only one that is draft or approved"):
        desk.discard(records, draft.id, by="a", now=practice.now)
    held.withdraw(records, draft.id, by="a", why="wrong region", now=practice.now)
    with pytest.raises(RecordsError, match="was to become withdrawn"):
        held.withdraw(records, draft.id, by="a", why="again", now=practice.now)


def test_the_notice_of_waiting_drafts_ends_with_the_last_decision(practice, records, draft):
    raise_notice(records, desk.WAITING_DRAFTS, "one waits", now=practice.now)
    assert "1 alert draft waits" in desk.waiting_sentence(records)
    desk.discard(records, draft.id, by="a", now=practice.now)
    assert notices(records, open_only=True) == []


def test_an_issue_that_an_alert_cites_is_kept_until_it_is_thrown_away(practice, records, draft):
    assert held.cited_issues(records) == {"i1"}
    desk.discard(records, draft.id, by="a", now=practice.now)
    assert held.cited_issues(records) == set()


def test_an_edit_in_the_moment_of_an_approval_is_not_approved(
    practice, records, draft, monkeypatch
):
    """It comes after the texts were shown and before the approval is kept."""
    looked = approving.hindrances

    def edited_meanwhile(*asked):
        found = looked(*asked)
        texts = said(draft, "Something nobody read.") | {"subject": "Another one"}
        desk.edit(records, draft.id, "en", **texts, by="b", now=practice.now)
        return found

    approve(practice, records, draft, "a")
    sha = shown(records, draft)
    monkeypatch.setattr(approving, "hindrances", edited_meanwhile)
    with pytest.raises(AlertError, match="somebody changed its text"):
        approve(practice, records, draft, "c", sha=sha)
    assert held.alert(records, draft.id).state == "draft"
    assert texts_held.texts(records, draft.id)["en"].subject == "Another one"

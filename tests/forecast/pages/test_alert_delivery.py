"""The page of an alert's messages: let it go, decide a doubt, withdraw it; the partners' feed."""

from __future__ import annotations

import pytest
from alert_world import NOW, Person, Pet, add_approved, add_people, states
from sqlalchemy import update

from forecast.accounts.audit import entries
from forecast.accounts.roles import Role
from forecast.alerts.cap_rules import broken_rules
from forecast.alerts.sending import draw_lists
from forecast.records.alerts import alert, begin_sending
from forecast.records.tables import alert_message

HERE = "/alerts/a1/delivery"


@pytest.fixture
def administrator(browser, make_account, sit, opened, moment):
    """Give a browser of an administrator of a practice with an approved alert, and two owners."""
    moment.now = NOW
    folder = opened.practice().folder
    text = (folder / "practice.toml").read_text(encoding="utf-8")
    (folder / "practice.toml").write_text(f"{text}\n[alerts]\nfeed = true\n", encoding="utf-8")
    add_people(opened.records, [Person("o1", "o1@x.example"), Person("o2", "0170 1")])
    add_approved(opened.records)
    return browser(sit(make_account("ida", Role.ADMINISTRATOR)))


def test_an_alert_goes_its_way_by_the_page(administrator, opened):
    """Sent, in doubt, decided, withdrawn; each by a button, each in the audit."""
    records = opened.records
    page = administrator.get(HERE).text
    assert "would go to 1 household." in page
    assert "no mail address" in page
    assert "o1@x.example" not in page
    assert "Lay mails into the folder for 1 household" in page  # no mail server is named
    assert administrator.post(HERE, data={"what": "send"}).status_code == 303
    assert alert(records, "a1").state == "sending"
    page = administrator.get(HERE).text
    assert "goes out: its list is being drawn up." in page
    assert "0 household" not in page
    draw_lists(opened.practice(), records)
    with records.writing() as connection:
        doubt = update(alert_message).where(alert_message.c.state == "waiting")
        connection.execute(doubt.values(state="in doubt", why="it hung up"))
        message_id = connection.scalar(
            alert_message.select().where(alert_message.c.why == "it hung up")
        )
    assert "K-o1" in administrator.get(HERE).text
    arrived = {"what": "arrived", "message": message_id}
    assert administrator.post(HERE, data=arrived).status_code == 303
    assert states(records)["o1"][0] == "sent"
    page = administrator.get(HERE).text
    assert "laid into the folder outbox for 1 household, and mailed to nobody by this s" in page
    assert "<td>laid into the folder</td>" in page
    assert (
        administrator.post(HERE, data={"what": "arrived", "message": message_id}).status_code == 404
    )
    assert (
        administrator.post(HERE, data={"what": "withdraw"}).status_code == 400
    )  # without a reason
    administrator.post(HERE, data={"what": "withdraw", "why": "wrong week"})
    assert alert(records, "a1").state == "withdrawn"
    done = {one.action for one in entries(records, newest=20)}
    assert {"alert sent", "message in doubt decided on", "alert withdrawn"} <= done
    rows = administrator.get(f"{HERE}.csv").text
    assert "o1" not in rows


def test_the_feed_and_its_documents_are_given_to_anybody(administrator, browser):
    """As Atom and as CAP, valid and marked as a test where the practice is invented."""
    administrator.post(HERE, data={"what": "send"})
    stranger = browser()
    feed = stranger.get("/alerts/feed.atom")
    assert feed.headers["content-type"].startswith("application/atom+xml")
    assert "/alerts/cap/a1-alert.xml" in feed.text
    document = stranger.get("/alerts/cap/a1-alert.xml")
    assert document.headers["content-type"].startswith("application/cap+xml")
    assert broken_rules(document.content) == []
    assert b"<status>Test</status>" in document.content
    assert stranger.get("/alerts/cap/a1-withdrawal.xml").status_code == 404


def test_the_desk_writes_down_what_an_owner_said(administrator, browser, make_account, sit, opened):
    """No leaves them out of the list at once; an unknown number and no answer change nothing."""
    desk = browser(sit(make_account("dana", Role.DESK)))
    assert desk.get("/consent").status_code == 200
    unknown = desk.post("/consent", data={"number": "nobody", "answer": "no"})
    assert unknown.status_code == 422
    assert "nobody" in unknown.text
    assert desk.post("/consent", data={"number": "K-o1"}).status_code == 422
    assert "would go to 1 household." in administrator.get(HERE).text
    assert desk.post("/consent", data={"number": "K-o1", "answer": "no"}).status_code == 303
    assert "would go to 0 households." in administrator.get(HERE).text
    assert administrator.get("/consent").status_code == 403


def test_an_alert_of_a_region_that_is_no_more_is_told_in_a_sentence(administrator, browser, opened):
    """Somebody took the region out of practice.toml after the alert had gone out."""
    add_approved(opened.records, "a9", region="west")
    begin_sending(opened.records, "a9", now=NOW)
    add_people(opened.records, [Person("w1", "w1@x.example", pets=(Pet("west"),))])
    draw_lists(opened.practice(), opened.records)
    page = administrator.get("/alerts/a9/delivery").text
    assert "1 message waits of alert a9 and cannot go" in page
    assert "practice.toml has no region &#39;west&#39; any more" in page
    assert "its region is not in practice.toml any more" in administrator.get("/alerts").text
    left = administrator.post("/alerts/a9/delivery", data={"what": "leave out"})
    assert left.status_code == 303
    assert states(opened.records)["w1"][0] == "left out"
    assert "cannot go" not in administrator.get("/alerts/a9/delivery").text
    stranger = browser()
    assert stranger.get("/alerts/cap/a9-alert.xml").status_code == 404
    feed = stranger.get("/alerts/feed.atom")
    assert feed.status_code == 200
    assert "a9" not in feed.text

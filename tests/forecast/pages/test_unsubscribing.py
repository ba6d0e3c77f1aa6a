"""The page at which a link to unsubscribe ends, as mail programs, browsers and scanners meet it."""

from __future__ import annotations

import pytest
from alert_world import NOW, Person, add_approved, add_people
from sqlalchemy import select

from forecast.alerts.lists import keep_list
from forecast.alerts.sending import preview_list
from forecast.alerts.unsubscribing import token_of
from forecast.records.signing_keys import UNSUBSCRIBE, signing_key
from forecast.records.tables import alert_message, alert_stop

BODY = {"List-Unsubscribe": "One-Click"}


@pytest.fixture
def link(opened):
    """Give the link of a message to an owner of the small practice."""
    records, practice = opened.records, opened.practice()
    add_people(records, [Person("o", "o@x.example")])
    made = add_approved(records)
    drawn = preview_list(practice, records, made)
    keep_list(records, made, drawn, way="mail", partner=False, now=NOW)
    with records.reading() as connection:
        message_id = connection.scalar(select(alert_message.c.id))
    return f"/unsubscribe/{token_of(message_id, signing_key(records, UNSUBSCRIBE, now=NOW))}"


def stops(opened) -> list[tuple[str, str]]:
    with opened.records.reading() as connection:
        query = select(alert_stop.c.owner_id, alert_stop.c.reason)
        return [tuple(row) for row in connection.execute(query)]


@pytest.mark.parametrize("form", ["urlencoded", "multipart"])
def test_a_mail_program_unsubscribes_with_one_post(browser, opened, link, form):
    """Without cookies, origin or sign-in, in both encodings; again is no fault. No redirect."""
    program = browser(origin=None)
    parts = {name: (None, value) for name, value in BODY.items()}
    sent = {"data": BODY} if form == "urlencoded" else {"files": parts}
    for _ in range(2):
        answer = program.post(link, **sent)
        assert answer.status_code == 200
    assert stops(opened) == [("o", "unsubscribed")]


def test_opening_the_link_changes_nothing(browser, opened, link):
    """Scanners open every link; a person sees a question and presses the button."""
    person = browser()
    page = person.get(link)
    assert page.status_code == 200
    assert "Do you want no more of these messages from Made up?" in page.text
    assert "x.example" not in page.text
    assert person.head(link).status_code in (200, 405)
    assert person.post(link, data={"something": "else"}).status_code == 200
    assert stops(opened) == []
    assert "You will get no more of these messages" in person.post(link, data=BODY).text
    assert stops(opened) == [("o", "unsubscribed")]


def test_the_page_is_in_the_language_that_mails_are_in(browser, opened, link):
    """Which need not be the practice's own."""
    with (opened.practice().folder / "practice.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[alerts]\nlanguages = ["de"]\n')
    page = browser().get(link).text
    assert "keine solchen Nachrichten mehr von Made up?" in page
    assert 'lang="de"' in page


def test_a_link_that_was_not_made_here_is_told_nothing(browser, opened, link):
    """Of a message that is not there and of a wrong signature the same."""
    for wrong in (f"{link[:-1]}g", "/unsubscribe/x", "/unsubscribe/0123456789abcdef.", f"{link}0"):
        answer = browser(origin=None).post(wrong, data=BODY)
        assert answer.status_code == 404
        assert "not made here" in answer.text
    assert stops(opened) == []


def test_the_feed_is_there_only_where_the_practice_says_so(browser):
    """By default it is not."""
    assert browser().get("/alerts/feed.atom").status_code == 404
    assert browser().get("/alerts/cap/a1-alert.xml").status_code == 404

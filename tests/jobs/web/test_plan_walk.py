"""A vet signs a plan and prints its letter, the desk hands the calendar over, in a real browser."""

from __future__ import annotations

from datetime import timedelta

import icalendar
import pytest
from planned_dog import propose
from sqlalchemy import delete, insert
from walking import faults, opened, sign_in

from forecast.accounts.roles import Role
from forecast.practice import open_practice
from forecast.records import open_records, tables
from forecast.records.dogs import dogs, identities

OWNER = "Ada Quillfeather"


@pytest.fixture(scope="module")
def rex(site):
    """Give an active dog whose owner agreed, with a proposal of two doses; its id and days."""
    practice = open_practice(site.folder, now=site.moment)
    records, today = open_records(practice), practice.local_date
    named = identities(records)
    held = dogs(records, on=today)
    one = next(dog for dog in held if dog.status == "active" and dog.id in named and dog.owner_id)
    days = (today + timedelta(days=28), today + timedelta(days=63))
    with records.writing() as connection:
        connection.execute(delete(tables.consent))
        answer = {"owner_id": one.owner_id, "what": "messages", "answer": "yes", "date": today}
        connection.execute(insert(tables.consent).values(**answer))
        connection.execute(tables.owner.update().values(name=OWNER))
        connection.execute(delete(tables.therapy_event))
    propose(records, one.id, plan_id="walked", doses=days, at=site.moment)
    records.close()
    return one.id, days


@pytest.mark.long
def test_plan_sign_print(browser, site, rex):
    """On a phone and at a desk: nothing is wider than the window, axe finds nothing serious."""
    dog, days = rex
    at = f"/dogs/{dog}/plan"
    with opened(browser, site.base, "phone") as one:
        sign_in(one, Role.VET, at)
        page = one.page
        assert "2 doses proposed" in page.get_by_role("heading", level=1).inner_text()
        one.is_sound()
        assert faults(page) == []
        page.get_by_role("button", name="Sign as it stands").click()
        page.get_by_role("status").filter(has_text="Signed").wait_for()
        assert "2 doses signed" in page.get_by_role("heading", level=1).inner_text()
        one.is_sound()
    with opened(browser, site.base, "desk") as one:
        sign_in(one, Role.DESK, at)
        page = one.page
        page.get_by_role("link", name="Read the letter").click()
        page.wait_for_url(f"{one.base}{at}/letter")
        assert OWNER in page.locator("main").inner_text()
        one.is_sound()
        assert faults(page) == []
        assert len(page.pdf(format="A4")) > 1_000
        one.go(at)
        with page.expect_download() as letter:
            page.get_by_role("button", name="Hand over the letter in English (PDF)").click()
        assert letter.value.path().read_bytes().startswith(b"%PDF")
        page.get_by_label("Time booked on").first.fill("10:30")
        with page.expect_download() as given:
            page.get_by_role("button", name="Hand over the calendar").click()
        calendar = icalendar.Calendar.from_ical(given.value.path().read_bytes())
        assert [one["dtstart"].dt for one in calendar.walk("VEVENT")][1] == days[1]
        one.go(at)
        handed = page.locator("table[aria-labelledby=handed] tbody tr")
        assert handed.count() == 2
        assert faults(page) == []
        one.go("/recall?within=60")
        assert page.get_by_role("cell", name="signed dose ahead").count() >= 1
        one.is_sound()
        assert faults(page) == []

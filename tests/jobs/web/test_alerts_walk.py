"""An administrator states a rule and drafts an alert, a vet approves it, in a real browser."""

from __future__ import annotations

import os

import pytest
from walking import faults, opened, sign_in

from forecast.accounts.roles import Role
from forecast.practice import open_practice
from forecast.records import alerts as held
from forecast.records import open_records

SIZES = ("phone", "desk") if os.environ.get("FOREPAW_LONG") == "whole" else ("phone",)


def is_fine(one):
    """Look for the sentence, for what sticks out, and for what axe finds serious."""
    assert one.page.get_by_role("heading", level=1).inner_text().endswith(".")
    one.is_sound()
    assert faults(one.page) == []


def state_a_rule(one):
    """State costs that make nearly any odds worth an alert, and see what it would have done."""
    page = one.page
    one.go("/alerts/rule/north")
    page.get_by_label("I state what it costs").check()
    page.get_by_label("An alert costs").fill("1")
    page.get_by_label("A high week without warning costs").fill("1000")
    page.get_by_label("send the dates, without odds").check()
    page.get_by_role("button", name="Keep it and see").click()
    page.get_by_role("heading", name="What it would have done").wait_for()
    is_fine(one)
    page.get_by_role("button", name="Switch the rule on").click()
    page.get_by_role("button", name="Switch the rule off").wait_for()


def draft_one(one) -> str:
    """Draft one by hand and write a sentence of one's own into it; return its address."""
    page = one.page
    one.go("/alerts")
    is_fine(one)
    page.locator("#of-region").select_option("north")
    page.locator("#of-kind").select_option("peak near")
    page.get_by_role("button", name="Draft it").click()
    page.get_by_role("heading", name="What owners read").wait_for()
    is_fine(one)
    page.get_by_text("Change the text (en)").click()
    page.get_by_label("Subject").fill("Itchy dogs in Northton")
    page.get_by_role("button", name="Keep this version").click()
    page.get_by_role("heading", level=3, name="Itchy dogs in Northton").wait_for()
    assert page.get_by_role("button", name="Approve this exact text").count() == 0
    is_fine(one)
    return page.url.removeprefix(one.base)


def approve_it(one, address):
    """Approve the fixed blocks once, read the alert as an owner would, and approve it."""
    page = one.page
    if page.get_by_role("button", name="I am a vet and approve this (en)").count():
        page.get_by_role("button", name="I am a vet and approve this (en)").click()
        page.get_by_text("Approved as it stands (en) by you").wait_for()
    one.go(address)
    letter = page.get_by_role("article")
    assert "A swollen face or trouble breathing is an emergency" in letter.inner_text()
    assert page.get_by_role("heading", name="Who would get it").is_visible()
    is_fine(one)
    page.get_by_role("button", name="Approve this exact text").click()
    page.get_by_role("status").filter(has_text="Approved").wait_for()
    is_fine(one)


@pytest.mark.long
@pytest.mark.parametrize("size", SIZES)
def test_an_alert_from_its_rule_to_its_approval_by_another_person(browser, site, size):
    with opened(browser, site.base, size) as one:
        sign_in(one, Role.ADMINISTRATOR, "/alerts")
        state_a_rule(one)
        address = draft_one(one)
    with opened(browser, site.base, size) as other:
        sign_in(other, Role.VET, "/alerts")
        is_fine(other)
        approve_it(other, address)
        other.go("/alerts/record")
        is_fine(other)
    records = open_records(open_practice(site.folder))
    assert held.alert(records, address.removeprefix("/alerts/")).state == "approved"
    assert held.alerts(records, states=("sending", "sent")) == []
    records.close()

"""A vet, a nurse and a manager walk through the dogs pages in a real browser, small and large."""

from __future__ import annotations

import itertools
import os
import re
import time
from math import log

import pytest
from sqlalchemy import update
from walking import faults, opened, sign_in

from forecast.accounts.roles import Role
from forecast.dosing.effect_times import as_kept
from forecast.dosing.plan import Proposal
from forecast.practice import open_practice
from forecast.records import open_records, tables
from forecast.records.dogs import dogs, identities
from forecast.records.issues import newest_issue
from forecast.records.plans import PlanRow, add_plans
from forecast.records.vets import assign, keep_vets
from models.effect_time import EffectTime
from models.effect_time.dog import RatePosterior

NOTE = "scratched until it bled, says her neighbour"
CONTACT = "quillfeather@forepaw.invalid"
SCORES = {
    (Role.VET, "phone"): "2.5",
    (Role.VET, "desk"): "3.5",
    (Role.NURSE, "phone"): "4.5",
    (Role.NURSE, "desk"): "5.5",
}
SLOWEST_ENTRY = 15  # seconds, with a person's hands
# A person's times as commonly taken of the keystroke-level model (Card, Moran & Newell 1980): a
# key by an average typist, pointing and pressing, moving a hand, and getting ready to begin.
KEY, POINT, HAND, THINK = 0.28, 1.1, 0.4, 1.35
# What is entered: the panel to open first ("": it is open), what is typed, what is chosen.
ENTRIES = {
    "score": ("", {"Itch score": "4.2"}, {}),
    "weight": ("Weight", {"Kilograms": "14.5"}, {}),
    "dose": ("Dose given, handed out or declined", {}, {"Class": 1, "Because of": 1}),
    "reaction": ("An adverse reaction", {"Sign": "hives"}, {"To which class": 1}),
    "death": ("Died, moved or left", {}, {"It is now": 1}),
}
BUTTONS = {
    **{"score": "Record the score", "weight": "Record the weight", "dose": "Record it"},
    **{"reaction": "Record the reaction", "death": "Record it"},
}
KEPT = {
    **{"score": "score 4.2 recorded", "weight": "weight 14.5 kg", "dose": "as given"},
    **{"reaction": "reaction recorded", "death": "recorded as dead"},
}


@pytest.fixture(scope="module")
def rex(site):
    """Give a dog with a clinical note, an owner's contact and an effect time of its own; its id."""
    practice = open_practice(site.folder, now=site.moment)
    records = open_records(practice)
    named = identities(records)
    held = dogs(records, on=practice.local_date)
    one = next(dog for dog in held if dog.status == "active" and dog.id in named)
    with records.writing() as connection:
        connection.execute(update(tables.visit).values(note=NOTE))
        connection.execute(update(tables.owner).values(contact=CONTACT))
    rate = RatePosterior(1e6, 1e6 * 30**2 / log(1.25), 0.05)
    told = EffectTime("scores", 15.0, 45.0, 6, 5, 49.0, 2.0, rate)
    head = {
        "proposal": Proposal.HOLD_A_SLOT,
        "uncovered_weeks_known": True,
        "effect_time": as_kept(told),
    }
    issue, made = newest_issue(records), site.moment
    assert issue is not None
    ids = ("walked", one.id, issue.id, "anti_il31_antibody", "proposed")
    add_plans(records, [PlanRow(*ids, None, made, (), (head,), ())])
    records.close()
    return one.id


def is_kept_from_them(one):
    """Neither what a vet wrote nor an owner's contact stands on a page."""
    told = one.page.content()
    assert NOTE not in told
    assert CONTACT not in told


def record_a_score(one, dog, score):
    """Record a score at the first form of the page, as one does between two patients."""
    page, began = one.page, time.monotonic()
    one.go(f"/dogs/{dog}")
    kept = page.locator("table[aria-labelledby=itch] td.number")
    before = kept.all_inner_texts().count(score)
    page.get_by_role("textbox", name="Itch score").fill(score)
    page.get_by_role("button", name="Record the score").dblclick()  # in a hurry: it is kept once
    page.get_by_role("status").filter(has_text=score).first.wait_for()
    assert time.monotonic() - began < SLOWEST_ENTRY
    assert kept.first.inner_text() == score
    assert kept.all_inner_texts().count(score) == before + 1


def of_form(page, kind):
    """Return the form of one kind of entry."""
    named = {"death": "status"}.get(kind, kind)
    return page.locator(f"main form:has(input[name=kind][value={named}])")


def enter(page, kind):
    """Enter one thing as a person would; return how many things were pointed at and keys struck."""
    panel, typed, chosen = ENTRIES[kind]
    points, keys = 0, 0
    if panel:
        page.locator("main summary").filter(has_text=re.compile(f"^{panel}")).first.click()
        points += 1
    form = of_form(page, kind)
    for label, text in typed.items():
        form.get_by_label(label).click()
        page.keyboard.type(text)
        points, keys = points + 1, keys + len(text)
    for label, place in chosen.items():
        form.get_by_label(label, exact=True).select_option(index=place)
        points += 2  # the list, then the line in it
    form.get_by_role("button", name=BUTTONS[kind]).click()
    page.get_by_role("status").filter(has_text=KEPT[kind]).first.wait_for()
    return points + 1, keys


@pytest.mark.long
def test_each_entry_takes_less_than_fifteen_seconds_of_a_person(browser, site, rex):
    """Score, weight, dose, reaction and death: hands by the keystroke-level model, page as timed.

    From the dog's page, as it is open, to the word that it is kept. The day is today's already;
    what a slip could do harm by, a class or that a dog died, has to be chosen.
    """
    with opened(browser, site.base, "desk") as one:
        sign_in(one, Role.NURSE, f"/dogs/{rex}")
        for kind in ENTRIES:
            one.go(f"/dogs/{rex}")
            began = time.monotonic()
            points, keys = enter(one.page, kind)
            page_took = time.monotonic() - began
            hands = THINK + points * POINT + keys * KEY + (2 * HAND if keys else 0.0)
            print(
                f"{kind}: {points} to point at, {keys} keys, {hands:.1f} s of hands, "
                f"{page_took:.1f} s of page"
            )
            assert hands + page_took < SLOWEST_ENTRY, kind


@pytest.mark.long
def test_a_manager_hands_the_dogs_of_a_leaving_vet_over(browser, site, rex):
    """From the page of vets, on a telephone; then the dog's page names the other vet."""
    practice = open_practice(site.folder, now=site.moment)
    records = open_records(practice)
    with records.writing() as connection:
        ids = keep_vets(connection, ["Ada Leaving", "Bo Staying"])
        assign(connection, {rex: ids["Ada Leaving"]}, since=practice.local_date, by=None)
        died = tables.dog_status.delete().where(tables.dog_status.c.status == "dead")
        connection.execute(died.where(tables.dog_status.c.dog_id == rex))  # of the test before
    records.close()
    with opened(browser, site.base, "phone") as one:
        page = one.page
        sign_in(one, Role.MANAGER, "/vets")
        one.is_sound()
        assert faults(page) == []
        page.get_by_label("Whose dogs").select_option(ids["Ada Leaving"])
        page.get_by_label("Bo Staying").check()
        page.get_by_role("button", name="Hand them over").click()
        page.get_by_role("status").filter(has_text="handed over").first.wait_for()
        one.is_sound()
        one.go(f"/dogs/{rex}")
        assert "Bo Staying looks after it" in page.locator("main").inner_text()


def looks() -> list[tuple[Role, str]]:
    """Return roles and sizes to look with: in short each once."""
    roles, sizes = (Role.VET, Role.NURSE, Role.MANAGER), ("phone", "desk")
    if os.environ.get("FOREPAW_LONG") == "whole":
        return list(itertools.product(roles, sizes))
    return list(zip(roles, ("phone", "desk", "phone"), strict=True))


@pytest.mark.long
@pytest.mark.parametrize(("role", "size"), looks())
def test_the_dogs_pages_as_vet_nurse_and_manager(browser, site, rex, role, size):
    """From the list by a filter to a dog; who treats dogs enters, a manager only looks."""
    with opened(browser, site.base, size) as one:
        page = one.page
        sign_in(one, role, "/dogs")
        assert page.get_by_role("heading", level=1).inner_text().endswith(".")
        one.is_sound()
        assert faults(page) == []
        is_kept_from_them(one)
        page.get_by_label("Who").select_option("every dog")
        page.get_by_role("button", name="Show them").click()
        page.wait_for_load_state()
        one.is_sound()
        page.locator(f"main a[href='/dogs/{rex}']").first.click()
        page.wait_for_url(f"{one.base}/dogs/{rex}")
        curve = page.get_by_role("img", name="Chance that the effect of a dose still holds")
        assert curve.is_visible()
        page.evaluate("document.querySelectorAll('main details').forEach(one => one.open = true)")
        one.is_sound()
        assert faults(page) == []
        is_kept_from_them(one)
        if (role, size) in SCORES:
            record_a_score(one, rex, SCORES[role, size])
            one.is_sound()
        else:
            assert page.locator("main form:not([action$='/vet'])").count() == 0
        one.go("/itch-line")
        one.is_sound()
        assert faults(page) == []

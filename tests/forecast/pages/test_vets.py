"""The page of vets: who looks after how many dogs, and handing them over."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from html_check import faults_of
from sqlalchemy import insert, select

from forecast.accounts.people import forget, set_active
from forecast.accounts.roles import Role
from forecast.records import tables
from forecast.records.account_tables import audit_entry
from forecast.records.vets import assign, keep_vets, vets, vets_on


@pytest.fixture
def ids(opened):
    """Give Ada, who looks after three dogs (two of one household), and Bo without any."""
    with opened.records.writing() as connection:
        found = keep_vets(connection, ["Ada", "Bo"])
        rows = [
            *(("rex", "at-north", "k1"), ("mo", "at-north", "k1")),
            *(("pip", "at-south", "k2"), ("tom", "at-north", "k3"), ("old", "at-north", "k4")),
        ]
        for dog, branch, owner in rows:
            values = {"id": dog, "species": "dog", "branch_id": branch, "owner_id": owner}
            connection.execute(insert(tables.dog).values(**values))
            named = {"dog_id": dog, "reference": dog.upper()}
            connection.execute(insert(tables.dog_identity).values(**named))
            status = "dead" if dog == "old" else "active"
            since = {"dog_id": dog, "status": status, "day_given": True}
            connection.execute(insert(tables.dog_status).values(**since))
            fact = {"dog_id": dog, "kind": "atopic_dermatitis", "word": "yes"}
            today = opened.practice().local_date
            connection.execute(insert(tables.dog_fact).values(**fact, date=today))
        day = opened.practice().local_date
        given = dict.fromkeys(("rex", "mo", "pip", "old"), found["Ada"])
        assign(connection, given, since=day - timedelta(days=30), by=None)
    return found


@pytest.fixture
def at(browser, make_account, sit):
    def make(role, name="", **limits):
        account = make_account(name or role.value, role, **limits)
        return browser(sit(account)), account

    return make


def looked_after(opened, day=None):
    with opened.records.reading() as connection:
        return vets_on(connection, day or opened.practice().local_date)


def listed(client, query=""):
    told = json.loads(client.get(f"/dogs.json{query}").text)
    return sorted(one["reference"] for one in told["dogs"])


def test_a_vet_sees_who_looks_after_whom_and_only_vets_and_managers_do(ids, at):
    """Dead dogs count nowhere; a nurse sees the name of the vet and not the page."""
    vet, _ = at(Role.VET)
    page = vet.get("/vets")
    assert page.status_code == 200
    assert faults_of(page.text) == []
    assert "1 vet looks after 3 of 4 dogs; 1 has nobody." in page.text
    assert "vet,dogs,due,leaves" in vet.get("/vets.csv").text
    nurse, _ = at(Role.NURSE)
    assert nurse.get("/vets").status_code == 403
    assert "Ada" in nurse.get("/dogs").text
    assert "Ada looks after it" in nurse.get("/dogs/rex").text
    assert listed(nurse, f"?vet={ids['Ada']}") == ["MO", "PIP", "REX"]
    assert listed(nurse, "?vet=nobody") == ["TOM"]
    assert nurse.get("/dogs?vet=somebody").status_code == 400


def test_my_dogs_are_those_of_the_vet_that_one_signs_in_as(ids, at):
    """Once somebody has said which; before, the filter is not offered."""
    vet, account = at(Role.VET)
    assert "my dogs" not in vet.get("/dogs").text
    assert "nobody has named you" in vet.get("/dogs?vet=mine").text
    link = {"vet": ids["Ada"], "account": account.id}
    assert vet.post("/vets/link", data=link).status_code == 303
    assert "my dogs" in vet.get("/dogs").text
    assert listed(vet, "?vet=mine") == ["MO", "PIP", "REX"]
    assert vet.post("/vets/link", data=link | {"account": "nobody"}).status_code == 303
    assert "my dogs" not in vet.get("/dogs").text
    assert vet.post("/vets/link", data=link | {"account": "x"}).status_code == 422


def test_all_dogs_of_a_leaving_vet_go_to_others_from_a_day_on(ids, at, opened):
    """Households together, from the day given; who did it is in the audit, the past stays."""
    manager, account = at(Role.MANAGER)
    today = opened.practice().local_date
    leaves = today + timedelta(days=14)
    form = {"from": ids["Ada"], "to": [ids["Bo"]], "since": leaves.isoformat()}
    said = manager.post("/vets/hand-over", data=form)
    assert said.status_code == 303
    assert "3 dogs are handed over" in manager.get("/vets").text
    assert set(looked_after(opened).values()) == {ids["Ada"]}
    then = looked_after(opened, leaves)
    assert {dog for dog, vet in then.items() if vet == ids["Bo"]} == {"rex", "mo", "pip"}
    with opened.records.reading() as connection:
        rows = connection.execute(select(audit_entry)).all()
    (entry,) = [row for row in rows if row.action == "dogs of a vet given to others"]
    assert (entry.account_id, entry.subject) == (account.id, ids["Ada"])


def test_what_cannot_be_handed_over_is_refused_in_a_sentence(ids, at, opened):
    """Nobody chosen, the giver alone, a day gone by, a vet without dogs; nothing is written."""
    vet, _ = at(Role.VET)
    before = looked_after(opened)
    for form, why in (
        ({"from": ids["Ada"]}, "Nobody was chosen"),
        ({"from": ids["Ada"], "to": [ids["Ada"]]}, "only the one who gives them"),
        ({"from": "x", "to": [ids["Bo"]]}, "was not chosen"),
        ({"from": ids["Bo"], "to": [ids["Ada"]]}, "no active dog of yours"),
        ({"from": ids["Ada"], "to": [ids["Bo"]], "since": "2020-01-01"}, "lies behind"),
        ({"from": ids["Ada"], "to": [ids["Bo"]], "since": "soon"}, "YYYY-MM-DD"),
    ):
        page = vet.post("/vets/hand-over", data=form)
        assert (page.status_code, why in page.text) == (422, True), form
    assert looked_after(opened) == before
    assert vet.post("/vets/add", data={"name": "nobody"}).status_code == 422
    assert vet.post("/vets/add", data={"name": "Cy"}).status_code == 303
    assert [one.name for one in vets(opened.records)] == ["Ada", "Bo", "Cy"]


def test_somebody_limited_to_a_branch_hands_over_the_dogs_of_that_branch_alone(ids, at, opened):
    """And a vet limited to a branch takes no dog of another."""
    north, _ = at(Role.VET, "north", branches=("at-north",))
    assert "1 vet looks after 2 of 3 dogs" in north.get("/vets").text
    form = {"from": ids["Ada"], "to": [ids["Bo"]]}
    assert north.post("/vets/hand-over", data=form).status_code == 303
    assert looked_after(opened)["pip"] == ids["Ada"]
    assert looked_after(opened)["rex"] == ids["Bo"]
    assert north.post("/dogs/pip/vet", data={"vet": ids["Bo"]}).status_code == 400
    whole, _ = at(Role.VET)
    link = {"vet": ids["Bo"], "account": at(Role.VET, "bo", branches=("at-north",))[1].id}
    assert whole.post("/vets/link", data=link).status_code == 303
    page = whole.post("/vets/hand-over", data=form)
    assert "works where these dogs are seen" in page.text


def test_one_dog_gets_another_vet_on_its_own_page(ids, at, opened):
    """By a vet or a manager; a dog that is gone keeps whom it had."""
    vet, _ = at(Role.VET)
    assert vet.post("/dogs/tom/vet", data={"vet": ids["Bo"]}).status_code == 303
    assert looked_after(opened)["tom"] == ids["Bo"]
    assert vet.post("/dogs/tom/vet", data={"vet": "nobody"}).status_code == 303
    assert "tom" not in looked_after(opened)
    assert vet.post("/dogs/tom/vet", data={"vet": "x"}).status_code == 400
    assert vet.post("/dogs/old/vet", data={"vet": ids["Bo"]}).status_code == 400


def test_erasing_who_an_account_was_takes_the_vets_name_too(ids, at, opened):
    """The dogs stay theirs under the random id, and can be handed over."""
    vet, account = at(Role.VET)
    vet.post("/vets/link", data={"vet": ids["Ada"], "account": account.id})
    other, _ = at(Role.MANAGER)
    now = opened.practice().now
    set_active(opened.records, account.id, False, by=None, now=now)
    forget(opened.records, account.id, by=None, now=now)
    page = other.get("/vets").text
    assert "Ada" not in page
    assert "name erased" in page
    form = {"from": ids["Ada"], "to": [ids["Bo"]]}
    assert other.post("/vets/hand-over", data=form).status_code == 303

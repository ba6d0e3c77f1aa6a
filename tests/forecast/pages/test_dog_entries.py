"""What was entered at a dog and was a slip: taken back on its page, and counted nowhere."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from html_check import faults_of
from planned_dog import DOSES, NOW, add_dog, propose
from sqlalchemy import select

from forecast.accounts.roles import Role
from forecast.dosing.register import read_register
from forecast.records import care
from forecast.records.account_tables import audit_entry
from forecast.records.entries import entered_of
from forecast.records.requests import requests

AT = "/dogs/rex"
DOSE = {"kind": "dose", "therapy": "anti_il31_antibody", "status": "given", "responded": "yes"}


@pytest.fixture
def rex(opened):
    """Give Rex at the branch north, of whom nothing is entered."""
    add_dog(opened.records, "rex", number="D1", branch="at-north")


@pytest.fixture
def at(browser, make_account, sit):
    """Give what makes a browser of somebody with a role."""
    held = {}

    def make(role, **limits):
        key = (role, str(limits))
        if key not in held:
            held[key] = browser(sit(make_account(f"{role.value}{len(held)}", role, **limits)))
        return held[key]

    return make


def newest(opened):
    return entered_of(opened.records, "rex")[-1].id


def take_back(client, entry, **more):
    return client.post(f"{AT}/take-back", data={"entry": entry, **more})


def test_a_slip_is_taken_back_and_counts_nowhere(rex, at, opened):
    """List, score and readiness are as before; the page tells what was said, and by whom."""
    nurse = at(Role.NURSE)
    before = json.loads(nurse.get(f"{AT}.json").text)
    nurse.post(f"{AT}/enter", data={"kind": "score", "score": "8"})
    assert "1 to be seen now" in nurse.get("/dogs").text
    done = take_back(nurse, newest(opened), reason="was of another dog")
    assert (done.status_code, done.headers["location"]) == (303, AT)
    assert "to be seen now" not in nurse.get("/dogs").text
    after = json.loads(nurse.get(f"{AT}.json").text)
    (kept,) = after.pop("taken_back")
    assert before.pop("taken_back") == []
    assert after == before
    assert (kept["what"], kept["by"], kept["taken_back_by"], kept["reason"]) == (
        *("itch score 8 on the line (PVAS)", "nurse0", "nurse0"),
        "was of another dog",
    )
    with opened.records.reading() as connection:
        written = connection.execute(select(audit_entry.c.action, audit_entry.c.subject)).all()
    assert ("entry at a dog taken back", "rex") in written


def test_a_response_that_was_a_slip_is_gone_for_readiness_and_effect_times(rex, at, opened):
    """Both read therapies and responses, of which none is left."""
    nurse, today = at(Role.NURSE), opened.practice().local_date
    whole = {"kind": "finding", "finding": "therapy_history", "answer": "yes"}
    for entered in (whole, DOSE):
        nurse.post(f"{AT}/enter", data=entered)
    assert read_register(opened.records, today=today).dogs["rex"].responded(DOSE["therapy"], today)
    take_back(nurse, newest(opened))
    dog = read_register(opened.records, today=today).dogs["rex"]
    assert (dog.therapies, dog.responded(DOSE["therapy"], today)) == ((), None)
    assert care.therapies(opened.records).empty


def test_who_may_take_back_what_and_who_reads_what_was_written(rex, at, opened):
    """Something rests on it, a signature, twice, another branch: refused and nothing is changed."""
    nurse, vet, desk = at(Role.NURSE), at(Role.VET), at(Role.DESK)
    sick = {"kind": "reaction", "therapy": "ciclosporin", "sign": "sick at 3"}
    nurse.post(f"{AT}/enter", data=sick)
    reaction = newest(opened)
    vet.post(f"{AT}/sign", data={"therapy": "ciclosporin", "reason": "another cause"})
    release = newest(opened)
    slip = take_back(nurse, reaction)
    assert slip.status_code == 422
    assert faults_of(slip.text) == []
    assert "a vet signed on 2023-03-01 that ciclosporin may be given again" in slip.text
    assert slip.text.count("Take it back") == 1, "a nurse takes back no signature"
    assert "only who signs may" in take_back(nurse, release).text
    assert take_back(desk, reaction).status_code == 403
    assert take_back(at(Role.NURSE, branches=["at-south"]), reaction).status_code == 404
    assert len(entered_of(opened.records, "rex")) == 2
    assert take_back(vet, release).status_code == 303
    assert take_back(nurse, reaction, reason="mixed up with Mo").status_code == 303
    again = take_back(nurse, reaction)
    assert again.status_code == 422
    assert "was taken back before" in again.text
    assert faults_of(again.text) == []
    assert "<s>Adverse reaction to ciclosporin</s>" in again.text
    seen_by_desk = desk.get(AT).text
    assert "<s>Adverse reaction to ciclosporin</s>" in seen_by_desk
    for words in ("sick at 3", "mixed up with Mo"):
        assert words in again.text
        assert words not in seen_by_desk
    assert care.reactions(opened.records).empty


def test_a_consultation_is_recorded_at_once_and_each_part_taken_back_by_itself(rex, at, opened):
    """What is left empty stays not known. The owner's price of a dose is asked for beside it."""
    vet, today = at(Role.VET), opened.practice().local_date
    whole = {
        "kind": "consultation",
        "score": "2",
        "kilograms": "9,5",
        "finding-flea_control": "yes",
    }
    whole |= {"finding-demodicosis": "no", "finding-neoplasia": "", "finding-nonsense": "yes"}
    slip = vet.post(f"{AT}/enter", data=whole | {"score": "12"})
    assert slip.status_code == 422
    assert faults_of(slip.text) == []
    assert "<details open><summary>A whole consultation" in slip.text
    field = slip.text[slip.text.index('name="finding-flea_control"') :]
    assert '<option value="yes" selected>' in field[: field.index("</select>")]
    assert 'id="flare-weeks" name="flare_weeks" value=""' in slip.text
    assert entered_of(opened.records, "rex") == []
    assert vet.post(f"{AT}/enter", data=whole).status_code == 303
    held = care.facts_of(opened.records, "rex")
    assert {kind: one.word for kind, one in held.items() if one.word} == {
        **{"atopic_dermatitis": "yes", "flea_control": "yes", "demodicosis": "no"}
    }
    assert held["weight_kg"].number == 9.5
    assert len(entered_of(opened.records, "rex")) == 4
    take_back(vet, newest(opened))
    assert len(entered_of(opened.records, "rex")) == 3
    vet.post(f"{AT}/enter", data={"kind": "price", "flare_weeks": "1,5"})
    dog = read_register(opened.records, today=today).dogs["rex"]
    assert (dog.flare_weeks_per_dose, dog.price_asked) == (1.5, today)


def test_a_plan_that_rested_on_it_says_so_and_is_asked_for_anew(rex, at, opened, moment):
    """What was entered before the plan and taken back after it; what came since is not in it."""
    vet = at(Role.VET)
    vet.post(f"{AT}/enter", data=DOSE)
    entry = newest(opened)
    moment.pass_by(minutes=20)
    propose(opened.records, "rex", doses=DOSES, at=NOW + timedelta(minutes=10))
    page = vet.get(f"{AT}/plan").text
    assert "since this plan was made" not in page
    assert "Work it out anew" in page
    assert take_back(vet, entry).status_code == 303
    (asked,) = requests(opened.records)
    assert (asked.kind, asked.arguments) == ("plan dog", {"dog": "rex"})
    vet.post(f"{AT}/enter", data={"kind": "score", "score": "8"})
    page = vet.get(f"{AT}/plan").text
    assert faults_of(page) == []
    assert "Taken back since this plan was made, which still rests on it: long-act" in page
    assert "Entered since this plan was made, and not in it: itch score 8" in page
    assert "Today: see now. Itch score 8 on 1 Mar 2023" in page
    assert "This plan is being worked out anew" in page
    assert "Work it out anew" not in page
    assert vet.post(f"{AT}/plan/anew").headers["location"] == f"{AT}/plan"
    assert len(requests(opened.records)) == 1, "asked twice it waits once"
    assert at(Role.DESK).post(f"{AT}/plan/anew").status_code == 403

"""The dogs page and that of one dog: what is due, who may see and enter what."""

from __future__ import annotations

import json
from datetime import timedelta
from math import log

import pytest
from html_check import faults_of
from sqlalchemy import insert, select

from forecast.accounts.roles import Role
from forecast.dosing.effect_times import as_kept
from forecast.pages.dog_list import lists
from forecast.records import care, tables
from forecast.records.account_tables import audit_entry
from forecast.records.entries import care_standing
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plans import PlanRow, add_plans
from models.effect_time import EffectTime
from models.effect_time.dog import RatePosterior


@pytest.fixture
def dogs(opened):
    """Give three dogs: Rex itches at north, Mo is at south, Tom is dead."""
    today = opened.practice().local_date
    rows = [
        ("rex", "D1", "Rex", "at-north"),
        ("mo", "D2", "Mo", "at-south"),
        ("tom", "D3", "Tom", "at-north"),
    ]
    with opened.records.writing() as connection:
        for dog_id, number, name, branch in rows:
            values = {"id": dog_id, "species": "dog", "branch_id": branch, "sex": "male"}
            connection.execute(insert(tables.dog).values(**values))
            named = {"dog_id": dog_id, "reference": number, "name": name}
            connection.execute(insert(tables.dog_identity).values(**named))
            status = "dead" if dog_id == "tom" else "active"
            since = {"dog_id": dog_id, "status": status, "day_given": True}
            connection.execute(insert(tables.dog_status).values(**since))
            fact = {"dog_id": dog_id, "kind": "atopic_dermatitis", "word": "yes", "date": today}
            connection.execute(insert(tables.dog_fact).values(**fact))
        for days, pvas in ((0, 7.5), (9, 3.0)):
            score = {"dog_id": "rex", "pvas": pvas, "date": today - timedelta(days=days)}
            score |= {"scorer": "owner", "scale": "PVAS"}
            connection.execute(insert(tables.pruritus_score).values(**score))
    return today


@pytest.fixture
def at(browser, make_account, sit):
    """Give what makes a browser of somebody with a role."""

    def make(role, **limits):
        return browser(sit(make_account(role.value, role, **limits)))

    return make


def test_the_list_puts_the_most_pressing_first_and_filters(dogs, at):
    """Gone dogs are left out unless every one is asked for; numbers and names are found."""
    vet = at(Role.VET)
    page = vet.get("/dogs")
    assert page.status_code == 200
    assert faults_of(page.text) == []
    assert "Of 2 dogs, 1 to be seen now." in page.text
    assert page.text.index("Rex") < page.text.index("Mo")
    assert "Tom" not in page.text
    assert "Itch score 7.5 on 1 Mar 2023" in page.text
    told = json.loads(vet.get("/dogs.json").text)
    assert [(one["reference"], one["due"]) for one in told["dogs"]] == [
        ("D1", "see now"),
        ("D2", "work-up"),
    ]
    for query, found in (
        ("due=work-up", ["D2"]),
        ("branch=at-north", ["D1"]),
        ("who=every%20dog&branch=at-north", ["D1", "D3"]),
        ("q=tom", ["D3"]),
        ("q=d2", ["D2"]),
        ("q=nobody", []),
    ):
        told = json.loads(vet.get(f"/dogs.json?{query}").text)
        assert [one["reference"] for one in told["dogs"]] == found, query
    assert vet.get("/dogs?due=lunch").status_code == 400
    assert vet.get("/dogs?page=2").status_code == 400
    rows = vet.get("/dogs.csv").text.splitlines()
    assert rows[0].startswith("reference,name,branch,status,due,why,verdict,score")
    assert len(rows) == 3


def test_one_dog_shows_its_readiness_with_reasons_and_what_would_change_them(dogs, at):
    """Every class, the itch, the history; forms for a nurse, but none to sign."""
    nurse = at(Role.NURSE)
    page = nurse.get("/dogs/rex").text
    assert faults_of(page) == []
    assert "Rex D1: see now." in page
    assert "What would change it: treat what itches now, then score it again." in page
    assert "long-acting anti-IL-31 antibody injection: <strong>see now</strong>" in page
    assert "2 itch scores (PVAS)" in page
    assert "Record the score" in page
    assert "/rex/sign" not in page
    told = json.loads(nurse.get("/dogs/rex.json").text)
    assert len(told["classes"]) == 7
    assert "date,value,scorer,scale" in nurse.get("/dogs/rex.csv?table=scores").text
    assert nurse.get("/dogs/nobody").status_code == 404


def test_how_long_a_dose_holds_is_what_the_newest_plan_kept(dogs, at, opened):
    """The label alone before; then sentence, curve and numbers.

    With a rate of ln(1.25) / 30^2 the effect holds after t days with probability 0.8^((t/30)^2):
    0.8^0.8711 = 0.82 on day 28, 0.8^2.6678 = 0.55 on day 49.
    """
    vet, now = at(Role.VET), opened.practice().now
    page = vet.get("/dogs/rex").text
    assert "does not tell how long a dose holds: the label says 28 to 49 days" in page
    assert "without a vet&#39;s word" in page or "without a vet's word" in page
    assert "Chance that it still holds" not in page
    row = IssueRow(
        id="issue-1",
        issued_at=now,
        origin=dogs,
        kind="issued",
        model_hash="model",
        settings_sha256="settings",
        seed=1,
        file="none.nc",
        file_sha256="hash",
        climate_snapshot="snapshot",
        visit_vintage=None,
    )
    add_issue(opened.records, row, settings_text="", summaries={})
    rate = RatePosterior(1e6, 1e6 * 30**2 / log(1.25), 0.0)
    told = EffectTime("scores", 15.0, 45.0, 6, 5, 49.0, 2.0, rate)
    head = {"proposal": "dated doses", "uncovered_weeks_known": True}
    kept = head | {"effect_time": as_kept(told)}
    for hours, reasons in ((2, head), (1, kept)):
        made = now - timedelta(hours=hours)
        plan = PlanRow(
            f"p{hours}",
            "rex",
            "issue-1",
            "anti_il31_antibody",
            "proposed",
            None,
            made,
            (),
            (reasons,),
            (),
        )
        add_plans(opened.records, [plan])
    page = vet.get("/dogs/rex").text
    assert faults_of(page) == []
    assert "A dose holds 15 to 45 days in four of five cases, from 5 relapses after 6" in page
    assert 'aria-label="Chance that the effect of a dose still holds' in page
    assert "100 % at first, never below half, 55 % on day 49" in page
    shown = json.loads(vet.get("/dogs/rex.json").text)["effect"]
    chances = {one["days"]: one["chance"] for one in shown["chances"]}
    assert chances[28] == pytest.approx(0.82, abs=0.005)
    assert chances[49] == pytest.approx(0.55, abs=0.005)
    assert shown["covers_until"] in (29, 30)
    assert shown["points"][0] == [0.0, 0.0]
    rows = vet.get("/dogs/rex.csv?table=effect").text.splitlines()
    assert rows[0] == "days,chance"
    assert len(rows) == 8


def test_an_entry_is_kept_written_down_and_seen_in_the_list(dogs, at, opened):
    """One row, by whom and of which dog; the list knows it at once, of its dog alone."""
    nurse = at(Role.NURSE)
    assert "Of 2 dogs, 1 to be seen now" in nurse.get("/dogs").text
    done = nurse.post("/dogs/rex/enter", data={"kind": "score", "score": "1,5", "scorer": "nurse"})
    assert (done.status_code, done.headers["location"]) == (303, "/dogs/rex")
    told = care.scores_of(opened.records, "rex")
    assert sorted(score.pvas for score in told) == [1.5, 3.0, 7.5]
    with opened.records.reading() as connection:
        written = connection.execute(select(audit_entry.c.action, audit_entry.c.subject)).all()
    assert ("care of a dog recorded", "rex") in written
    nurse.post("/dogs/mo/enter", data={"kind": "score", "score": "8"})
    assert "Of 2 dogs, 2 to be seen now" in nurse.get("/dogs").text
    nurse.post("/dogs/mo/enter", data={"kind": "status", "status": "moved"})
    assert "Of 1 dog, 1 to be seen now" in nurse.get("/dogs").text


def test_a_slip_is_told_and_nothing_is_kept(dogs, at, opened):
    """The page again, with the sentence; off the scale, or a day ahead."""
    nurse = at(Role.NURSE)
    before = care_standing(opened.records)
    for slip, words in (
        ({"kind": "score", "score": "12"}, "Score &#39;12&#39; was entered; it runs from 0 to 10."),
        ({"kind": "weight", "kilograms": "4", "date": "2099-01-01"}, "lies ahead"),
        ({"kind": "magic"}, "allowed are score, weight"),
    ):
        answer = nurse.post("/dogs/rex/enter", data=slip)
        assert answer.status_code == 422
        assert words in answer.text
    assert care_standing(opened.records) == before


def test_what_was_typed_and_not_taken_stands_there_again(dogs, at):
    """In its own form, which is open; the others are as they were."""
    nurse = at(Role.NURSE)
    slip = {"kind": "weight", "kilograms": "950", "date": "2023-02-27"}
    page = nurse.post("/dogs/rex/enter", data=slip).text
    assert faults_of(page) == []
    assert "<details open><summary>Weight</summary>" in page
    assert 'name="kilograms" value="950"' in page
    assert 'id="weight-day" name="date" type="date" max="2023-03-01" value="2023-02-27"' in page
    assert 'id="score-day" name="date" type="date" max="2023-03-01" value="2023-03-01"' in page
    assert "<details><summary>Died, moved or left</summary>" in page
    chosen = {"kind": "dose", "therapy": "ciclosporin", "status": "declined", "until": "never"}
    page = nurse.post("/dogs/rex/enter", data=chosen).text
    for one in ("ciclosporin", "declined"):
        assert f'<option value="{one}" selected>' in page


def test_a_death_and_a_class_have_to_be_chosen(dogs, at):
    """What a slip could do harm by stands on nothing at first."""
    page = at(Role.NURSE).get("/dogs/rex").text
    for field in ("status", "dose-therapy", "reaction-therapy", "finding", "finding-answer"):
        start = page.index(f'<select id="{field}"')
        assert 'required><option value="">choose</option>' in page[start : start + 120], field
    assert at(Role.VET).post("/dogs/rex/enter", data={"kind": "status"}).status_code == 422


def test_a_reaction_stops_a_class_until_a_vet_signs(dogs, at, opened):
    """A nurse records it and cannot sign; a vet signs with a reason."""
    nurse, vet = at(Role.NURSE), at(Role.VET)
    nurse.post(
        "/dogs/rex/enter", data={"kind": "reaction", "therapy": "ciclosporin", "sign": "sick"}
    )
    page = vet.get("/dogs/rex").text
    assert "An adverse reaction to ciclosporin was recorded" in page
    assert 'action="/dogs/rex/sign"' in page
    signed = {"therapy": "ciclosporin", "reason": "was sick for another cause"}
    assert nurse.post("/dogs/rex/sign", data=signed).status_code == 403
    assert vet.post("/dogs/rex/sign", data={"therapy": "ciclosporin"}).status_code == 422
    assert vet.post("/dogs/rex/sign", data=signed).status_code == 303
    page = vet.get("/dogs/rex").text
    assert "An adverse reaction to ciclosporin was recorded" not in page
    assert "Signed to be given again" in page
    assert care.releases(opened.records)["reason"].tolist() == ["was sick for another cause"]


def test_who_sees_no_dog_and_whose_branch_it_is_not(dogs, at):
    """An administrator sees none; another branch's dog is as if it were not there."""
    nobody = at(Role.ADMINISTRATOR)
    for path in ("/dogs", "/dogs.json", "/dogs/rex", "/dogs/rex.csv", "/itch-line"):
        assert nobody.get(path).status_code == 403, path
    limited = at(Role.NURSE, branches=["at-south"])
    assert "Rex" not in limited.get("/dogs?q=rex").text
    assert "Mo" in limited.get("/dogs").text
    for path in ("/dogs/rex", "/dogs/rex.json"):
        assert limited.get(path).status_code == 404
    answer = limited.post("/dogs/rex/enter", data={"kind": "score", "score": "4"})
    assert answer.status_code == 404
    desk = at(Role.DESK)
    assert "Record the score" not in desk.get("/dogs/rex").text
    assert desk.post("/dogs/rex/enter", data={"kind": "score", "score": "4"}).status_code == 403


def test_a_manager_sees_dogs_and_no_note_no_contact_and_no_form(dogs, at, opened):
    """What is due and why, and nothing to enter; what notes and owners told is not on the page."""
    with opened.records.writing() as connection:
        owner = {"id": "ada", "name": "Ada Quillfeather", "contact": "ada@forepaw.invalid"}
        connection.execute(insert(tables.owner).values(**owner))
        hers = tables.dog.update().where(tables.dog.c.id == "rex")
        connection.execute(hers.values(owner_id="ada"))
        seen = {"reference": "V1", "dog_id": "rex", "branch_id": "at-north", "date": dogs}
        seen |= {"kind": "itch flare", "note": "scratches at night"}
        connection.execute(insert(tables.visit).values(**seen))
    manager = at(Role.MANAGER)
    for path in ("/dogs", "/dogs.json", "/dogs.csv", "/dogs/rex", "/dogs/rex.json"):
        answer = manager.get(path)
        assert answer.status_code == 200, path
        for kept_from_them in ("Quillfeather", "ada@", "scratches at night"):
            assert kept_from_them not in answer.text, path
    page = manager.get("/dogs/rex").text
    assert "Rex D1: see now." in page
    assert "flare visit" in page
    assert "<form" not in page[page.index("<main") : page.index("</main")]
    entered = {"kind": "score", "score": "4"}
    assert manager.post("/dogs/rex/enter", data=entered).status_code == 403
    signed = {"therapy": "ciclosporin", "reason": "none"}
    assert manager.post("/dogs/rex/sign", data=signed).status_code == 403


def test_the_line_to_print_has_no_number_on_it(at):
    """Numbers on the line would spoil it; ten centimetres are said in words only."""
    page = at(Role.NURSE).get("/itch-line").text
    assert faults_of(page) == []
    line = page[page.index('<div class="itch-line">') : page.index("Marked by")]
    shown = line[: line.index("<svg")] + line[line.index("</svg>") :]
    assert not any(letter.isdigit() for letter in shown)
    assert "<text" not in line


def test_a_list_without_dogs_says_so(at, opened):
    """And an import makes it anew."""
    page = at(Role.VET).get("/dogs").text
    assert "No dog is on record yet." in page
    assert "A manager or an administrator brings them in." in page
    assert 'name="due"' not in page
    limited = at(Role.NURSE, branches=["at-south"]).get("/dogs").text
    assert "No dog of your branches is on record yet." in limited
    assert lists.listed(opened.practice(), opened.records).rows == ()

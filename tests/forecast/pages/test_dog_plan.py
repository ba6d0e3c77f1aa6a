"""The page of one dog's plan with letter and calendar, and the recall list: who does what."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta

import icalendar
import pytest
from html_check import faults_of
from planned_dog import DOSES, NOW, UNCOVERED, add_dog, change_owner, propose
from sqlalchemy import insert, select

from forecast.accounts.roles import Role
from forecast.records import care, tables
from forecast.records.account_tables import audit_entry
from forecast.records.handovers import handovers_of
from forecast.records.plan_decisions import in_force
from forecast.wording import full_day

AT = "/dogs/rex/plan"


@pytest.fixture
def rex(opened):
    """Give Rex with a proposal of two doses; the moment of these pages is that of its plan."""
    assert opened.practice().now == NOW
    add_dog(opened.records, "rex", number="D1", branch="at-north")
    return propose(opened.records, "rex", doses=DOSES, uncovered=UNCOVERED, at=NOW)


@pytest.fixture
def at(browser, make_account, sit):
    """Give what makes a browser of somebody with a role."""
    held = {}

    def make(role, **limits):
        key = (role, str(limits))
        if key not in held:
            name = f"{role.value}{len(held)}"
            held[key] = browser(sit(make_account(name, role, **limits)))
        return held[key]

    return make


def decide(client, decision, **more):
    return client.post(f"{AT}/sign", data={"plan": "p1", "decision": decision, **more})


def written(opened):
    with opened.records.reading() as connection:
        return [
            tuple(row)
            for row in connection.execute(select(audit_entry.c.action, audit_entry.c.subject))
        ]


def test_a_vet_signs_and_the_desk_hands_over(rex, at, opened):
    """From the proposal to the letter and the calendar; each is written down."""
    vet, desk = at(Role.VET), at(Role.DESK)
    page = vet.get(AT)
    assert faults_of(page.text) == []
    assert (
        "Rex: 2 doses proposed, the next on Monday 27 March 2023; no vet has signed it."
        in page.text
    )
    assert "19 Jun 2023 to 2 Jul 2023" in page.text
    assert "a vet signs the plan first" in desk.get(AT).text
    preview = desk.get(f"{AT}/letter").text
    assert "To be read only" in preview
    assert "no vet has signed this plan yet" in preview
    assert desk.post(f"{AT}/letter/hand").status_code == 422
    assert decide(vet, "accept").headers["location"] == AT
    page = desk.get(AT).text
    assert faults_of(page) == []
    assert "Rex: 2 doses signed, the next on Monday 27 March 2023." in page
    assert "/plan/sign" not in page, "the desk signs nothing"
    assert "Rex: 2 doses signed, the next on Monday 27 March 2023." in desk.get("/dogs/rex").text
    read = desk.get(f"{AT}/letter")
    assert faults_of(read.text) == []
    assert "To be read only" in read.text
    assert "Dear Ada Quillfeather," in read.text
    assert "Vet: vet0" in read.text
    assert handovers_of(opened.records, "rex") == []
    pdf = desk.post(f"{AT}/letter/hand", data={"form": "pdf"})
    assert pdf.content.startswith(b"%PDF")
    assert "D1" not in pdf.headers["content-disposition"]
    printed = desk.post(f"{AT}/letter/hand", data={"form": "html"})
    assert "To be read only" not in printed.text
    sent = desk.post(f"{AT}/calendar", data={f"time-{DOSES[0]}": "10:30"})
    calendar = icalendar.Calendar.from_ical(sent.content)
    assert len(calendar.walk("VEVENT")) == 3
    assert sent.headers["content-type"].startswith("text/calendar")
    kinds = [one.kind for one in handovers_of(opened.records, "rex")]
    assert kinds == ["letter", "letter", "calendar"]
    done = written(opened)
    for action, subject in (
        ("plan of a dog decided on", "rex"),
        ("contact of an owner read", "rex-owner"),
        ("letter handed over", "rex"),
        ("calendar handed over", "rex"),
    ):
        assert (action, subject) in done
    assert desk.get("/letter.css").headers["content-type"].startswith("text/css")


def test_the_page_says_what_a_newer_forecast_moved_and_why(rex, at, opened):
    """Of signed dates, which stay, and of a proposal that nobody signed."""
    vet, later = at(Role.VET), (DOSES[0] + timedelta(days=14), DOSES[1])
    dates = ", ".join(map(full_day, later))
    ask = {"doses": later, "moved": "against the plan of 2023-03-01, 14 days later; why: odds"}
    assert decide(vet, "accept").status_code == 303
    assert "14 days later" not in vet.get(AT).text
    propose(opened.records, "rex", plan_id="p2", at=NOW + timedelta(hours=1), **ask)
    page = vet.get(AT).text
    assert "Rex: 2 doses signed, the next on Monday 27 March 2023." in page
    assert f"would propose otherwise: {dates}; against the plan of 1 Mar 2023, 14 days" in page
    assert decide(vet, "withdraw", reason="as forecast").status_code == 303
    page = vet.get(AT).text
    assert "Against the plan of 1 Mar 2023, 14 days later; why: odds." in page
    assert faults_of(page) == []


def test_a_vet_changes_or_declines_with_a_reason_and_a_slip_is_told(rex, at, opened):
    """28 days apart by the label; nothing without a reason; a manager reads no reason."""
    vet = at(Role.VET)
    near = {"date-1": str(DOSES[0]), "date-2": str(DOSES[0] + timedelta(days=27))}
    slip = decide(vet, "change", reason="holiday", **near)
    assert slip.status_code == 422
    assert "at least 28 days apart" in slip.text
    assert faults_of(slip.text) == []
    assert "write it as YYYY-MM-DD" in decide(vet, "change", reason="x", **{"date-1": "soon"}).text
    assert "without a reason" in decide(vet, "decline").text
    assert decide(vet, "nod").status_code == 400
    assert in_force(opened.records) == {}
    moved = {"date-1": str(DOSES[0]), "date-2": "2023-05-15"}
    assert decide(vet, "change", reason="owner is away", **moved).status_code == 303
    (signed,) = in_force(opened.records).values()
    assert signed.dates == (DOSES[0], date(2023, 5, 15))
    assert "owner is away" in vet.get(AT).text
    assert "owner is away" in at(Role.NURSE).get(AT).text
    manager = at(Role.MANAGER)
    for suffix in ("", ".json", ".csv?table=decisions"):
        told = manager.get(f"{AT}{suffix}")
        assert told.status_code == 200
        assert "owner is away" not in told.text
        assert "Quillfeather" not in told.text
        assert "ada@forepaw.invalid" not in told.text
    assert decide(vet, "withdraw", reason="moved on").status_code == 303
    assert "Rex: the plan was withdrawn." in vet.get(AT).text
    assert decide(vet, "accept").status_code == 422, "a plan that ended is not signed again"


def test_only_whose_right_it_is_signs_or_hands_over(rex, at):
    """A nurse sees and records; a manager looks; neither signs or hands over."""
    for role in (Role.NURSE, Role.MANAGER):
        client = at(role)
        page = client.get(AT)
        assert page.status_code == 200
        assert "/plan/sign" not in page.text
        assert "/letter/hand" not in page.text
        for path in ("sign", "letter/hand", "calendar", "cancel", "consent"):
            assert client.post(f"{AT}/{path}").status_code == 403
        assert client.get(f"{AT}/letter").status_code == 403
    assert at(Role.ADMINISTRATOR).get(AT).status_code == 403
    assert at(Role.VET, branches=["at-south"]).get(AT).status_code == 404
    elsewhere = at(Role.VET, branches=["at-south"])
    assert decide(elsewhere, "accept").status_code == 404


def test_a_death_shuts_the_gate_and_asks_for_the_calendar_to_be_cancelled(rex, at, opened):
    """On the dog's page, on the recall list, until the cancellation is handed over."""
    vet, desk = at(Role.VET), at(Role.DESK)
    decide(vet, "accept")
    assert desk.post(f"{AT}/calendar").status_code == 200
    vet.post("/dogs/rex/enter", data={"kind": "status", "status": "dead"})
    page = desk.get(AT).text
    assert "Nothing goes out: the dog&#39;s status is &#39;dead&#39;" in page
    assert "The calendar of the owner is to be cancelled: the dog" in page
    assert "<h1>Rex is &#39;dead&#39; in the records: nothing is planned or sent any more" in page
    assert desk.get(f"{AT}/letter").status_code == 400
    assert desk.post(f"{AT}/letter/hand").status_code == 422
    recall = desk.get("/recall").text
    assert faults_of(recall) == []
    assert "1 calendar to be put right" in recall
    assert "to be cancelled" in recall
    form = hidden(page, f"{AT}/cancel")
    ended = icalendar.Calendar.from_ical(desk.post(f"{AT}/cancel", data=form).content)
    assert ended["method"] == "CANCEL"
    assert desk.post(f"{AT}/cancel", data=form).status_code == 200, "sent again: the same file"
    done = [action for action, _ in written(opened)]
    assert done.count("calendar cancelled") == 1
    assert "calendar to be put right" not in desk.get("/recall").text
    assert desk.post(f"{AT}/cancel").status_code == 422


def hidden(page, action):
    """Return the hidden fields of the form that leads somewhere."""
    (form,) = re.findall(rf'<form[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>', page, re.S)
    return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))


def test_a_letter_that_is_printed_again_from_the_same_page_is_handed_over_once(rex, at, opened):
    """Loading the page to print anew sends its form again; a page opened anew hands over anew."""
    vet, desk = at(Role.VET), at(Role.DESK)
    decide(vet, "accept")
    key = re.search(r'name="once" value="([^"]+)"', desk.get(AT).text)[1]
    form = {"once": key, "form": "html"}
    first, again = (desk.post(f"{AT}/letter/hand", data=form) for _ in range(2))
    assert first.status_code == again.status_code == 200
    assert "Dear Ada Quillfeather," in again.text
    assert len(handovers_of(opened.records, "rex")) == 1
    assert [action for action, _ in written(opened)].count("letter handed over") == 1
    key = re.search(r'name="once" value="([^"]+)"', desk.get(AT).text)[1]
    assert desk.post(f"{AT}/letter/hand", data=form | {"once": key}).status_code == 200
    assert len(handovers_of(opened.records, "rex")) == 2


def test_a_dog_that_changed_hands_has_a_calendar_to_cancel_and_one_to_give(rex, at, opened):
    """Who the owner before is stands on the plan for whoever hands over, and is written down."""
    vet, desk, manager = at(Role.VET), at(Role.DESK), at(Role.MANAGER)
    decide(vet, "accept")
    desk.post(f"{AT}/calendar")
    change_owner(opened.records, "rex", "bo")
    page = desk.get(AT).text
    assert faults_of(page) == []
    assert "The calendar of the owner before is to be cancelled: the dog has another" in page
    assert "The cancellation goes to Ada Quillfeather, ada@forepaw.invalid." in page
    assert ("contact of an owner read", "rex-owner") in written(opened)
    assert "The calendar of the new owner is to be given: the dog&#39;s new owner has no" in page
    recall = desk.get("/recall").text
    assert faults_of(recall) == []
    assert "2 calendars to be put right" in recall
    assert "the owner before" in recall
    assert "Quillfeather" not in recall
    told = manager.get(AT).text
    assert "The calendar of the owner before" in told
    assert "Quillfeather" not in told
    form = hidden(page, f"{AT}/cancel")
    ended = icalendar.Calendar.from_ical(desk.post(f"{AT}/cancel", data=form).content)
    assert ended["method"] == "CANCEL"
    assert desk.post(f"{AT}/calendar").status_code == 200
    page = desk.get(AT).text
    assert "The calendar of" not in page
    assert "<td>the owner before</td>" in page


def test_what_the_page_says_of_days_that_are_signed(rex, at, opened):
    """A day on which the branch is shut, before signing and after; booked times; no false move.

    A proposal made since is held against the days ahead, and says nothing within the tolerance.
    """
    vet, first = at(Role.VET), DOSES[0]
    row = {"branch_id": "at-north", "date": first, "reason": "x", "full": False}
    with opened.records.writing() as connection:
        connection.execute(insert(tables.closure).values(**row))
    assert "does not open on 27 Mar 2023: choose another day." in vet.get(AT).text
    decide(vet, "accept")
    vet.post(f"{AT}/calendar", data={f"time-{first}": "10:30"})
    propose(opened.records, "rex", plan_id="p2", doses=DOSES[:1], at=NOW + timedelta(hours=1))
    page = vet.get(AT).text
    assert "does not open on 27 Mar 2023: sign another day." in page
    assert f'name="time-{first}" type="time" value="10:30"' in page
    assert f'name="time-{DOSES[1]}" type="time">' in page, "none is booked"
    assert "would propose otherwise" not in page
    later = {"doses": DOSES[:1], "moved": "against the plan signed, one dose in place of 2"}
    propose(opened.records, "rex", plan_id="p3", at=NOW + timedelta(hours=2), **later)
    assert "would propose otherwise: 27 Mar 2023; against the plan signed" in vet.get(AT).text
    sent = vet.post(f"{AT}/calendar", data={f"time-{first}": "11:00"}).content
    (event, *_) = icalendar.Calendar.from_ical(sent).walk("VEVENT")
    assert event["dtstart"].dt.hour == 11


def test_consent_is_asked_at_the_desk_and_opens_the_gate(rex, at, opened):
    desk = at(Role.DESK)
    assert desk.post(f"{AT}/consent", data={"answer": "no"}).status_code == 303
    assert "does not wish to be written to" in desk.get(AT).text
    assert desk.post(f"{AT}/consent", data={"answer": "perhaps"}).status_code == 422
    assert desk.post(f"{AT}/consent", data={"answer": "yes"}).status_code == 303
    assert "Nothing goes out" not in desk.get(AT).text
    assert ("owner's consent recorded", "rex-owner") in written(opened)


def test_the_page_says_in_which_language_it_goes_out_and_the_desk_sets_it(rex, at, opened):
    """A form that was shown before does not hand over in another one than it said."""
    vet, desk, manager = at(Role.VET), at(Role.DESK), at(Role.MANAGER)
    decide(vet, "accept")
    page = desk.get(AT).text
    assert "<strong>English</strong>: the practice&#39;s; the owner&#39;s language is not" in page
    assert '<option value="">not known</option>' in page
    shown = hidden(page, f"{AT}/calendar")
    assert manager.post(f"{AT}/language", data={"owner_language": "de"}).status_code == 403
    refused = desk.post(f"{AT}/language", data={"owner_language": "Deutsch"})
    assert (refused.status_code, "two letters of ISO 639-1" in refused.text) == (422, True)
    assert desk.post(f"{AT}/language", data={"owner_language": "de"}).status_code == 303
    page = desk.get(AT).text
    assert faults_of(page) == []
    assert "<strong>German</strong>: the owner&#39;s language." in page
    assert '<option value="de" selected>German</option>' in page
    assert "Hand over the letter in German (PDF)" in page
    for path in (f"{AT}/letter/hand", f"{AT}/calendar"):
        late = desk.post(path, data=shown)
        assert (late.status_code, "was to go out in English" in late.text) == (422, True)
    assert handovers_of(opened.records, "rex") == []
    read = desk.get(f"{AT}/letter").text
    assert faults_of(read) == []
    assert '<html lang="de">' in read
    assert '<p class="notice" lang="en">To be read only' in read
    assert desk.post(f"{AT}/calendar", data=hidden(page, f"{AT}/calendar")).status_code == 200
    assert ("owner's language recorded", "rex-owner") in written(opened)
    assert "<td>German</td>" in desk.get("/recall?within=26").text
    assert desk.post(f"{AT}/language", data={"owner_language": ""}).status_code == 303
    assert "<strong>English</strong>: the practice&#39;s" in desk.get(AT).text


def test_the_recall_list_filters_and_gives_contacts_to_the_desk_alone(rex, at, opened):
    """On the page and in its data no contact stands; in the files each is written down as read."""
    add_dog(opened.records, "mo", number="D2", name="=Mo", owner="Bo", consent="not known")
    vet, desk, manager = at(Role.VET), at(Role.DESK), at(Role.MANAGER)
    decide(vet, "accept")
    page = desk.get("/recall?within=26").text
    assert faults_of(page) == []
    assert "1 dog to be recalled; 1 left out." in page
    for client in (desk, manager):
        for path in ("/recall", "/recall.json", "/recall.csv"):
            assert "ada@forepaw" not in client.get(path).text
    assert manager.get("/recall/list/csv").status_code == 403
    book = desk.get("/recall/list/xlsx?within=26")
    assert book.content[:2] == b"PK"
    told = desk.get("/recall/list/csv?within=26").text
    assert "D1,Rex,Ada Quillfeather,ada@forepaw.invalid" in told
    assert "Mo" not in told, "nobody who was not asked is in it"
    assert "Mo" not in desk.get("/recall/list/csv?within=26&who=left%20out").text
    assert written(opened).count(("contact of an owner read", "rex-owner")) == 2
    left = json.loads(desk.get("/recall.json?within=26&who=left%20out").text)
    assert [one["number"] for one in left["rows"]] == ["D2"]
    for query in ("within=400", "within=x", "what=lunch"):
        assert desk.get(f"/recall?{query}").status_code == 400
    assert desk.get("/recall/list/pdf").status_code == 400
    south = at(Role.DESK, branches=["at-south"])
    assert json.loads(south.get("/recall.json?within=26").text)["rows"] == []


def test_a_trial_is_begun_and_judged_and_its_verdict_goes_to_the_dose(rex, at, opened):
    """From 7 to 3 in two weeks: a response, that excludes nothing else."""
    nurse, today = at(Role.NURSE), NOW.date()
    began = today - timedelta(days=14)
    fields = {"step": "begin", "therapy": "anti_il31_antibody", "date": str(began), "score": "7"}
    assert (
        "was entered; none was begun"
        in nurse.post(f"{AT}/trial", data={"step": "end", "score": "3"}).text
    )
    assert nurse.post(f"{AT}/trial", data=fields).status_code == 303
    assert nurse.post(f"{AT}/trial", data=fields | {"score": "70"}).status_code == 422
    page = nurse.get(AT).text
    assert faults_of(page) == []
    assert "To be judged on 1 Mar 2023" in page
    with opened.records.writing() as connection:
        row = {"dog_id": "rex", "therapy": "anti_il31_antibody", "date": began, "status": "given"}
        connection.execute(insert(tables.therapy_event).values(**row, reason="calendar"))
    assert nurse.post(f"{AT}/trial", data={"step": "end", "score": "3"}).status_code == 303
    page = nurse.get(AT).text
    assert "Responded: from 7 on 15 Feb 2023 to 3 on 1 Mar 2023" in page
    assert "does not exclude food allergy, fleas or an infection" in page
    (dose,) = care.therapies_of(opened.records, "rex")
    assert (dose.responded, dose.reason, dose.date) == (True, "calendar", began)
    assert [one.pvas for one in care.scores_of(opened.records, "rex")] == [7.0, 3.0]


def test_a_yes_to_alerts_is_taken_for_owners_of_ones_own_branches_alone(rex, at, opened):
    """A no is taken for anybody: who calls the wrong branch has said no all the same."""
    here, elsewhere = at(Role.DESK, branches=("at-north",)), at(Role.DESK, branches=("at-south",))
    said = {"number": "K-D1", "answer": "yes"}
    refused = elsewhere.post("/consent", data=said)
    assert refused.status_code == 422
    assert "No owner of your branches has that number" in refused.text
    assert here.post("/consent", data=said).status_code == 303
    assert elsewhere.post("/consent", data=said | {"answer": "no"}).status_code == 303
    with opened.records.reading() as connection:
        query = select(tables.consent.c.answer).where(tables.consent.c.what == "alerts by mail")
        assert list(connection.scalars(query)) == ["yes", "no"]

"""Pages of alerts: a rule, a draft, two people who approve it, and what a slip is told."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from issued_by_hand import lay_out

from forecast.accounts.roles import Role
from forecast.alerts.desk import draft_due, stays_in
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held

RULE = {
    "how": "right",
    "right": "3",
    "kinds": ["season near", "sudden high week"],
    "shortest_lead": "5",
    "longest_lead": "28",
    "gap": "28",
    "off_share": "0.75",
    "budget": "3",
    "without_skill": "send",
}


@pytest.fixture
def moment(moment):
    moment.now = datetime(2023, 3, 8, 1, 0, tzinfo=UTC)
    return moment


@pytest.fixture
def people(make_account, browser, sit):
    """Give a browser of an administrator, a vet and a manager."""
    roles = {"ida": Role.ADMINISTRATOR, "vera": Role.VET, "max": Role.MANAGER}
    return {name: browser(sit(make_account(name, role))) for name, role in roles.items()}


@pytest.fixture
def issue(opened, make_issued):
    """Weeks 2 and 3 of the north are high in 12 of 20 draws, those of the south never."""
    return lay_out(opened, make_issued, {"north": {2: 12, 3: 12}, "south": {}})


@pytest.fixture
def draft(people, issue, opened):
    """Give the id of a draft that the clock made of a rule stated and switched on by pages."""
    assert people["ida"].post("/alerts/rule/north", data=RULE).status_code == 303
    assert people["ida"].post("/alerts/rule/north/switch", data={"on": "yes"}).status_code == 303
    return draft_due(opened.practice(), opened.records, issue).alerts[0].id


def field(text: str, name: str) -> str:
    return re.search(rf'name="{name}" value="([^"]*)"', text)[1]


def kept_in(opened, draft: str, words: str) -> str:
    """Return a text of other words that keeps a draft's cautions."""
    return " ".join([words, *stays_in(held.alert(opened.records, draft), "en")])


def approve_blocks(vet):
    text = vet.get("/alerts").text
    sent = {"language": field(text, "language"), "sha256": field(text, "sha256")}
    assert vet.post("/alerts/blocks", data=sent).status_code == 303


def test_from_the_rule_to_an_approval_by_two(people, draft, opened):
    """The clock drafted it, so an administrator and a vet both stand behind it."""
    ida, vera, path = people["ida"], people["vera"], f"/alerts/{draft}"
    shown = ida.get("/alerts").text
    assert "1 draft waits for a decision" in shown
    assert "No vet has approved <a" in shown
    shown = ida.get(path).text
    assert "No vet has approved the fixed blocks" in shown
    assert "Approve this exact text" not in shown
    approve_blocks(vera)
    shown = ida.get(path).text
    assert "brings many flares" not in shown  # no odds without skill
    assert "skill not yet known" in shown
    sha = field(shown, "sha256")
    n_recipients = field(shown, "n_recipients")
    ida.post(f"{path}/approve", data={"sha256": sha, "n_recipients": n_recipients})
    assert held.alert(opened.records, draft).state == "draft"
    assert "another person has to approve it" in ida.get(path).text
    vera.post(f"{path}/approve", data={"sha256": sha, "n_recipients": n_recipients})
    assert held.alert(opened.records, draft).state == "approved"
    assert "approved, and not sent yet" in vera.get(path).text
    assert f"/alerts/{draft}/delivery" in ida.get(path).text  # who may send is led there


def test_only_a_vet_approves_the_fixed_blocks(people, issue):
    told = {"language": "en", "sha256": "x"}
    assert people["ida"].post("/alerts/blocks", data=told).status_code == 403
    assert people["vera"].post("/alerts/blocks", data=told).status_code == 400


def test_the_rule_shows_what_it_would_have_done_and_its_history(people, draft):
    text = people["max"].get("/alerts/rule/north").text
    assert "odds of a high week are 1 in 3 or more" in text
    assert "no forecasts from past origins to simulate on" in text
    assert text.count("<td>ida</td>") == 2  # stated, and switched on


def test_a_slip_in_a_rule_is_told_and_what_was_typed_stays(people, issue, opened):
    slips = ({"right": "12"}, {"gap": "soon"}, {"kinds": []}, {"how": "costs", "cost": "5"})
    for slip in slips:
        answer = people["ida"].post("/alerts/rule/north", data=RULE | slip)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.text
    assert 'value="12"' in people["ida"].post("/alerts/rule/north", data=RULE | slips[0]).text
    assert rules_held.rules_in_force(opened.records) == {}


def test_an_edit_with_a_dose_is_refused_and_given_back(people, draft, opened):
    edit = {"language": "en", "subject": "Itch", "body": "Give 5 mg <today>."}
    answer = people["max"].post(f"/alerts/{draft}/edit", data=edit)
    assert answer.status_code == 422
    assert "looks like a dose" in answer.text
    assert answer.text.count("<q>") == 3, "it says which sentences stay"
    assert "Give 5 mg &lt;today&gt;." in answer.text
    assert len(texts_held.text_history(opened.records, draft)) == 1
    edit["body"] = kept_in(opened, draft, "Please call us.")
    assert people["max"].post(f"/alerts/{draft}/edit", data=edit).status_code == 303
    assert "version 2" in people["ida"].get(f"/alerts/{draft}").text


def test_who_was_shown_an_older_text_is_told_so(people, draft, opened):
    approve_blocks(people["vera"])
    sha = field(people["ida"].get(f"/alerts/{draft}").text, "sha256")
    edit = {"language": "en", "subject": "Itch", "body": kept_in(opened, draft, "Please call us.")}
    people["max"].post(f"/alerts/{draft}/edit", data=edit)
    answer = people["ida"].post(f"/alerts/{draft}/approve", data={"sha256": sha})
    assert answer.status_code == 400
    assert "changed its text since it was shown" in answer.text


def test_a_draft_by_hand_and_thrown_away(people, issue, opened):
    """Of the quiet south it is refused with the odds; of the north it is made and thrown away."""
    ida = people["ida"]
    refused = ida.post("/alerts/draft", data={"region": "south", "kind": "season near"})
    assert "state the region" in refused.text
    ida.post("/alerts/rule/south", data=RULE)
    refused = ida.post("/alerts/draft", data={"region": "south", "kind": "season near"})
    assert "would say what the forecast does not" in refused.text
    assert refused.status_code == 422
    assert '<option value="south" selected>' in refused.text, "the form stands as it was sent"
    ida.post("/alerts/rule/north", data=RULE)
    made = ida.post("/alerts/draft", data={"region": "north", "kind": "season near"})
    path = made.headers["location"]
    assert "another person has to approve it" in ida.get(path).text
    ida.post(f"{path}/refuse", data={"remark": "nothing to tell"})
    assert "nothing to tell" in ida.get(path).text
    ida.post(f"{path}/discard")
    assert held.alerts(opened.records)[0].state == "discarded"


def test_people_of_one_branch_see_their_regions_alone(people, draft, make_account, browser, sit):
    lou = browser(sit(make_account("lou", Role.VET, branches=("at-south",))))
    text = lou.get("/alerts").text
    assert draft not in text
    assert lou.get(f"/alerts/{draft}").status_code == 404
    assert lou.post(f"/alerts/{draft}/discard").status_code == 404
    told = lou.post("/alerts/draft", data={"region": "north", "kind": "season near"})
    assert told.status_code == 404


def test_the_record_says_that_there_is_none_and_its_scores_are_null(people, draft):
    ida = people["ida"]
    assert "No alert that was sent can be held" in ida.get("/alerts/record").text
    told = ida.get("/alerts/record.json").json()
    assert told["scores"]["probability_of_detection"] is None
    assert ida.get("/alerts.json").json()["waiting"][0]["id"] == draft
    assert ida.get("/alerts.csv?table=regions").text.startswith("id,name,rule")

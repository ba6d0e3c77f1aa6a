"""The people page: who may sign in, invitations, changes; what an administrator cannot do."""

from __future__ import annotations

import json
import re
from datetime import date

import pytest

from forecast.accounts.people import account, accounts, by_email
from forecast.accounts.roles import Role

PASSWORD, OTHER = "plum tractor violin", "seven quiet lanterns"
NEW = {"name": "Lou", "email": "lou@practice.example", "role": "vet", "until": "2023-03-05"}


@pytest.fixture
def ida(make_account):
    return make_account("ida", Role.ADMINISTRATOR)


@pytest.fixture
def client(ida, browser, sit):
    return browser(sit(ida))


def test_an_invitation_leads_to_an_account(client, browser, opened):
    """The link is shown once, whole, with the public address; it sets a password and signs in."""
    shown = client.post("/people/invite", data=NEW | {"branches": ["at-south"]}).text
    address = re.search(r'<code class="link">(\S+)</code>', shown)[1]
    assert address.startswith("http://127.0.0.1:8400/invitation/")
    lou = by_email(opened.records, NEW["email"])
    assert (lou.branches, lou.until, lou.has_password) == (("at-south",), date(2023, 3, 5), False)
    assert "invited" in client.get("/people").text
    guest = browser()
    path = address.removeprefix("http://127.0.0.1:8400")
    guest.post(path, data={"password": OTHER, "again": OTHER})
    assert "you are signed in as vet" in guest.get("/account").text
    assert address not in client.get("/people").text


SLIPS = (
    ({"role": "boss"}, "the roles are manager, vet"),
    ({"until": "5 March"}, "write it as YYYY-MM-DD"),
    ({"until": "2023-02-28"}, "is over"),
    ({"email": "lou"}, "looks like name@practice.example"),
    ({"email": "IDA@practice.example"}, "there is one with that mail address"),
    ({"name": ""}, "A name was asked for"),
    ({"branches": ["nowhere"]}, "the branches are: at-north, at-south"),
)


def test_a_slip_is_told_and_what_was_typed_is_given_back(client, ida, opened):
    """Nothing is made."""
    for slip, words in SLIPS:
        answer = client.post("/people/invite", data=NEW | slip)
        assert answer.status_code == 422
        assert words in answer.text
        assert accounts(opened.records) == [ida]
        if "name" not in slip:
            assert 'value="Lou"' in answer.text


def test_a_change_of_role_ends_sessions(client, browser, make_account, sit, opened):
    """Whoever it is signs in again, with the new rights."""
    bo = make_account("bo", Role.VET)
    theirs = browser(sit(bo))
    form = {"role": "desk", "branches": ["at-north", "at-south"], "until": ""}
    assert client.post(f"/people/{bo.id}", data=form).status_code == 303
    assert theirs.get("/account").status_code == 303
    changed = account(opened.records, bo.id)
    assert (changed.role, changed.branches) == (Role.DESK, ("at-north", "at-south"))
    page = client.get(f"/people/{bo.id}").text
    assert "role, branches or end changed" in page
    assert page.count(" checked") == 2


def test_the_last_administrator_cannot_go(client, ida, opened):
    """Nor deactivate their own account at all."""
    form = {"role": "vet", "until": ""}
    assert "Nobody would be left" in client.post(f"/people/{ida.id}", data=form).text
    answer = client.post(f"/people/{ida.id}/active", data={"active": "no"})
    assert answer.status_code == 400
    assert account(opened.records, ida.id) == ida


def test_deactivating_ends_sessions_and_can_be_taken_back(client, browser, make_account, sit):
    """Both are written down."""
    bo = make_account("bo", Role.VET)
    theirs = browser(sit(bo))
    client.post(f"/people/{bo.id}/active", data={"active": "no"})
    assert theirs.get("/account").status_code == 303
    page = client.get(f"/people/{bo.id}").text
    assert "Make it active again" in page
    client.post(f"/people/{bo.id}/active", data={"active": "yes"})
    page = client.get(f"/people/{bo.id}").text
    assert "account deactivated" in page
    assert "account activated" in page


def test_a_link_for_a_lost_password(client, browser, make_account, opened):
    """Shown once; the old password holds until it is used."""
    bo = make_account("bo", Role.VET)
    shown = client.post(f"/people/{bo.id}/link").text
    path = re.search(r"(/invitation/\S+)</code>", shown)[1]
    assert browser().post("/sign-in", data={"email": bo.email, "password": PASSWORD}).is_redirect
    browser().post(path, data={"password": OTHER, "again": OTHER})
    assert (
        not browser().post("/sign-in", data={"email": bo.email, "password": PASSWORD}).is_redirect
    )
    assert client.post("/people/nobody/link").status_code == 404


def test_json_and_csv_say_what_the_page_says(client, make_account):
    """The same people; no secret is in any of them."""
    make_account("bo", Role.VET, branches=["at-south"])
    told = json.loads(client.get("/people.json").text)
    assert [one["name"] for one in told["people"]] == ["bo", "ida"]
    assert told["n_active"] == 2
    lines = client.get("/people.csv").text.splitlines()
    assert lines[0] == "name,email,role,branches,until,standing,second_factor"
    assert lines[1] == "bo,bo@practice.example,vet,at-south,,active,off"
    assert "argon2" not in client.get("/people.json").text

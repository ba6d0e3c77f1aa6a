"""One's own account: password, second factor, sessions."""

from __future__ import annotations

import re

import pyotp
import pytest

from forecast.accounts.people import account
from forecast.accounts.roles import Role

PASSWORD, OTHER = "plum tractor violin", "seven quiet lanterns"


@pytest.fixture
def bo(make_account):
    return make_account("bo", Role.VET)


def test_another_password_ends_every_other_session(browser, bo, sit):
    """The browser goes on with a new token; the old password and token are of no use."""
    elsewhere, client = browser(sit(bo)), browser(sit(bo))
    before = client.cookies["forepaw-session"]
    form = {"old": PASSWORD, "new": OTHER, "again": OTHER}
    for wrong, words in (
        ({"old": OTHER}, "present password is not right"),
        ({"again": PASSWORD}, "not the same"),
        ({"new": "bo bo bo bo bo bo", "again": "bo bo bo bo bo bo"}, "easily guessed"),
        ({"new": "short", "again": "short"}, "at least 15"),
    ):
        answer = client.post("/account/password", data=form | wrong)
        assert answer.status_code == 422
        assert words in answer.text
    assert elsewhere.get("/account").status_code == 200
    assert client.post("/account/password", data=form).status_code == 303
    assert client.cookies["forepaw-session"] != before
    assert "The password is changed" in client.get("/account").text
    assert elsewhere.get("/account").status_code == 303
    signed = browser().post("/sign-in", data={"email": bo.email, "password": OTHER})
    assert signed.status_code == 303


def test_guessing_the_present_password_has_to_wait(browser, bo, sit):
    """Who finds a browser open cannot try for ever."""
    client = browser(sit(bo))
    form = {"old": OTHER, "new": PASSWORD, "again": PASSWORD}
    for _ in range(5):
        client.post("/account/password", data=form)
    told = client.post("/account/password", data=form | {"old": PASSWORD})
    assert "too many tries" in told.text


def test_sessions_are_listed_and_ended_one_by_one(browser, bo, make_account, sit):
    """Only one's own."""
    elsewhere, client = browser(sit(bo)), browser(sit(bo))
    others = browser(sit(make_account("ann", Role.VET)))
    found = re.findall(r"/account/sessions/(\w+)/end", client.get("/account").text)
    assert len(found) == 1, "this browser's own is ended by signing out"
    assert others.post(f"/account/sessions/{found[0]}/end").status_code == 404
    assert client.post(f"/account/sessions/{found[0]}/end").status_code == 303
    assert elsewhere.get("/account").status_code == 303
    assert client.get("/account").status_code == 200


def test_a_second_factor_is_set_up_and_switched_off(browser, bo, sit, opened, moment):
    """The page shows the secret as picture and text; recovery codes are shown once."""
    client = browser(sit(bo))
    page = client.get("/account/second-factor").text
    secret = re.search(r"<code>([A-Z2-7]{32})</code>", page)[1]
    assert "<svg" in page
    assert "style=" not in page
    code = pyotp.TOTP(secret).at(moment.now)
    form = {"secret": secret, "code": code, "password": PASSWORD}
    for wrong in ({"password": OTHER}, {"code": "000000"}):
        refused = client.post("/account/second-factor", data=form | wrong)
        assert refused.status_code == 422
        assert secret in refused.text, "the same secret is offered again"
    assert not account(opened.records, bo.id).has_second_factor
    planted = client.post("/account/second-factor", data=form | {"secret": "planted"})
    assert planted.status_code == 303
    done = client.post("/account/second-factor", data=form)
    assert len(re.findall(r"<li><code>[a-z2-9-]{19}</code>", done.text)) == 10
    assert account(opened.records, bo.id).has_second_factor
    assert "10 recovery codes are left" in client.get("/account").text
    assert client.get("/account/second-factor").status_code == 303
    off = {"password": PASSWORD}
    refused = client.post("/account/second-factor/off", data={"password": OTHER})
    assert refused.status_code == 422
    assert client.post("/account/second-factor/off", data=off).status_code == 303
    assert not account(opened.records, bo.id).has_second_factor
    assert client.get("/account").status_code == 200

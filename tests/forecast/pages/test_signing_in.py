"""The pages by which one comes in: sign in, second factor, one-time links, sign out."""

from __future__ import annotations

import re

import pyotp

from forecast.accounts.links import first_link, new_link
from forecast.accounts.people import accounts
from forecast.accounts.roles import Role
from forecast.accounts.second_factor import new_secret, switch_on
from forecast.pages.signing_in import own_path

PASSWORD, OTHER = "plum tractor violin", "seven quiet lanterns"


def sign_in(client, name="bo", password=PASSWORD, **more):
    form = {"email": f"{name}@practice.example", "password": password} | more
    return client.post("/sign-in", data=form)


def test_one_signs_in_sees_a_page_and_signs_out(browser, make_account):
    """And is nobody afterwards, also with what the browser carried."""
    make_account("bo", Role.VET)
    client = browser()
    assert client.get("/account").headers["location"] == "/sign-in?next=%2Faccount"
    page = client.get("/sign-in?next=%2Faccount").text
    assert '<input type="hidden" name="next" value="/account">' in page
    assert sign_in(client, next="/account").headers["location"] == "/account"
    token = client.cookies["forepaw-session"]
    assert "you are signed in as vet" in client.get("/account").text
    assert client.get("/sign-in").headers["location"] == "/"
    out = client.post("/sign-out")
    assert out.headers["location"] == "/sign-in?out"
    assert "You are signed out." in client.get("/sign-in?out").text
    assert browser(token).get("/account").status_code == 303


ELSEWHERE = (
    "https://elsewhere.example/",
    "//elsewhere.example",
    "/\\elsewhere.example",
    "\\\\elsewhere.example",
    "javascript:alert(1)",
    "/a\nset-cookie: x",
    "/\t/elsewhere.example",
    "account",
    "",
)


def test_signing_in_leads_nowhere_else(browser, make_account):
    """Whatever stands in the form."""
    make_account("bo", Role.VET)
    for elsewhere in ELSEWHERE:
        assert own_path(elsewhere) == "/"
        assert sign_in(browser(), next=elsewhere).headers["location"] == "/"
    assert own_path("/regions/north?part=2") == "/regions/north?part=2"


def test_a_refusal_keeps_the_address_and_never_the_password(browser, make_account):
    """The same page, the same status for a wrong password and for nobody's address."""
    make_account("bo", Role.VET)
    said = []
    for name in ("bo", "nobody"):
        answer = sign_in(browser(), name, OTHER)
        assert answer.status_code == 422
        assert OTHER not in answer.text
        assert "set-cookie" not in answer.headers
        said.append(answer.text.replace(f"{name}@", "@"))
    assert said[0] == said[1]
    assert 'role="alert"' in said[0]


def test_what_is_typed_is_escaped(browser):
    """Also where it stands in an attribute."""
    answer = browser().post("/sign-in", data={"email": '"><script>alert(1)</script>'})
    assert "<script>alert" not in answer.text
    assert "&lt;script&gt;" in answer.text


def test_too_many_failures_wait(browser, make_account, moment):
    """429 with the seconds to wait; the right password too, until they have passed."""
    make_account("bo", Role.VET)
    client = browser()
    assert [sign_in(client, password=OTHER).status_code for _ in range(5)] == [422] * 5
    waiting = sign_in(client)
    assert waiting.status_code == 429
    assert "wait 2 s" in waiting.text
    moment.pass_by(seconds=2)
    assert sign_in(client).status_code == 303


def test_the_second_factor_is_owed_before_anything_is_seen(browser, make_account, opened, moment):
    """A page of its own, reached from whatever was asked for; then a new session."""
    bo, secret = make_account("bo", Role.VET), new_secret()
    totp = pyotp.TOTP(secret)
    switch_on(opened.records, bo.id, secret, totp.at(moment.now), now=moment.now)
    moment.pass_by(seconds=60)
    client = browser()
    answer = sign_in(client, next="/account")
    assert answer.headers["location"] == "/second-factor?next=%2Faccount"
    half = client.cookies["forepaw-session"]
    assert client.get("/account").headers["location"] == "/second-factor"
    assert client.get("/people.json").status_code == 401
    wrong = client.post("/second-factor", data={"code": "000000"})
    assert wrong.status_code == 422
    right = client.post("/second-factor", data={"code": totp.at(moment.now), "next": "/account"})
    assert right.headers["location"] == "/account"
    assert client.cookies["forepaw-session"] != half
    assert client.get("/account").status_code == 200
    assert browser(half).get("/account").headers["location"].startswith("/sign-in")
    assert client.get("/second-factor").headers["location"] == "/"


def test_the_first_link_makes_the_first_administrator(browser, opened, moment):
    """Name, address and password are asked; what is refused is asked again, nothing is lost."""
    link = first_link(opened.records, now=moment.now)
    client = browser()
    assert "Set up the first account" in client.get(link.path).text
    form = {"name": "Ida", "email": "ida@practice.example", "password": PASSWORD, "again": OTHER}
    differ = client.post(link.path, data=form)
    assert differ.status_code == 422
    assert "not the same" in differ.text
    assert 'value="ida@practice.example"' in differ.text
    assert PASSWORD not in differ.text
    short = client.post(link.path, data=form | {"password": "short", "again": "short"})
    assert "it must have at least 15" in short.text
    done = client.post(link.path, data=form | {"again": PASSWORD})
    assert done.headers["location"] == "/"
    assert "Your password is set" in client.get("/account").text
    assert [one.name for one in accounts(opened.records)] == ["Ida"]
    again = browser().get(link.path)
    assert again.status_code == 404
    assert "not good any more" in again.text


def test_a_link_signs_its_own_account_in_and_nobody_elses_out(
    browser, make_account, opened, moment, sit
):
    """Who opens it at a browser where another sits is that account from then on."""
    ann, bo = make_account("ann", Role.VET), make_account("bo", Role.NURSE)
    link = new_link(opened.records, bo.id, by=ann.id, now=moment.now)
    elsewhere, client = browser(sit(ann)), browser(sit(ann))
    client.post(link.path, data={"password": OTHER, "again": OTHER})
    assert "bo@practice.example" in client.get("/account").text
    assert "ann@practice.example" in elsewhere.get("/account").text


def test_no_page_of_the_door_holds_scripts_or_styles_of_its_own(browser, opened, moment):
    """A strict policy would block them."""
    link = first_link(opened.records, now=moment.now)
    for path in ("/sign-in", link.path, "/nowhere"):
        page = browser().get(path).text
        assert not re.search(r"<script(?![^>]* src=)|<style|\sstyle=|\son\w+=", page), path

"""Every route there is, called as nobody, each role, another branch's user, and who is over.

The routes come from the application, so a new page is in here by itself.
"""

from __future__ import annotations

import itertools
import re
from datetime import date

import pytest
from starlette.routing import Mount, Route

from forecast.accounts.people import set_active
from forecast.accounts.roles import Role, rights_of
from forecast.pages.all_pages import all_pages
from forecast.pages.serving import address_of

PARTS = {"region": "north", "branch": "at-north"}
PAGES = all_pages()


def address(path: str) -> str:
    """Fill the parts of a path: a region and a branch that there are, else what there is not."""

    def fill(found: re.Match[str]) -> str:
        return PARTS.get(found[1], "1" if found[2] else "x")

    return re.sub(r"\{(\w+)(:\w+)?\}", fill, path)


CALLS = [
    (page, method, address(address_of(page, suffix)))
    for page in PAGES
    for suffix in (("", ".json", ".csv") if page.has_data else ("",))
    for method in page.methods
    if method == "GET" or not suffix
]
PROTECTED = [call for call in CALLS if call[0].needs is not None]


def test_every_route_is_a_page_of_the_registry(app):
    """Nothing is reachable beside it but files that hold nothing of the practice."""
    known = {address_of(page, s) for page in PAGES for s in ("", ".json", ".csv")}
    assert {route.path for route in app.routes if isinstance(route, Route)} <= known
    mounted = [route.path for route in app.routes if isinstance(route, Mount)]
    assert mounted == ["/static"]


def test_what_nobody_need_be_signed_in_for_is_little():
    """A page lands here by a decision, not by a slip."""
    assert {page.path for page in PAGES if page.needs is None} == {
        "/sign-in",
        "/second-factor",
        "/sign-out",
        "/invitation/{token}",
        "/help",
        "/help/record",
        "/help/{chapter}",
        "/unsubscribe/{token}",
        "/alerts/feed.atom",
        "/alerts/cap/{document}.xml",
    }


_A, _M, _V, _N, _D = Role.ADMINISTRATOR, Role.MANAGER, Role.VET, Role.NURSE, Role.DESK
# Who alone may do what would reach an owner, a dog's care or the door, from the design's words:
# an administrator sends and lets people in, a vet signs, whoever works at a dog records its care.
ALONE = [
    ({_A}, ("alert-delivery", "invite", "person", "person-active", "person-link", "people")),
    ({_V}, ("alert-blocks", "dog-plan-sign", "dog-sign", "dog-longer", "ask-culprits")),
    ({_V}, ("label", "answer-label", "draw-sample")),
    ({_A, _M, _V}, ("approve-alert", "edit-alert", "draft-alert", "alert-rules", "switch-alerts")),
    ({_V, _N}, ("dog-enter", "dog-trial")),
    ({_V, _D}, ("dog-letter", "dog-letter-hand", "dog-calendar", "dog-consent", "consent")),
    ({_V, _D}, ("recall-file",)),
    ({_A, _M}, ("bring", "take-in", "answer-import", "save-layout", "ask")),
    ({_A, _M}, ("staffing-agree", "staffing-enter", "staffing-desk-workbook")),
]


@pytest.mark.parametrize(("roles", "name"), [(who, one) for who, each in ALONE for one in each])
def test_what_matters_takes_the_right_that_the_design_gives(roles, name):
    """A page that asked for another right would be let through by all tests of the matrix."""
    (page,) = [one for one in PAGES if one.name == name]
    assert {role for role in Role if page.needs in rights_of(role)} == roles


def is_turned_away(answer) -> bool:
    """Whether a stranger was sent to sign in, or told so, and nothing else."""
    if answer.status_code == 303:
        return answer.headers["location"].split("?")[0] == "/sign-in" and not answer.content
    return answer.status_code == 401


@pytest.mark.parametrize("who", ["nobody", "forged", "half", "ended", "expired", "revoked", "gone"])
def test_nobody_who_is_not_signed_in_reaches_a_page(
    who, browser, make_account, sit, opened, moment
):
    """A stranger, a token of nobody's, the second factor owed, a locum after the last day ..."""
    token = {"nobody": None, "forged": "x" * 43}.get(who)
    last_day = date(2023, 3, 1) if who == "ended" else None
    if token is None and who != "nobody":
        make_account("ida", Role.ADMINISTRATOR)
        locum = make_account("lou", Role.ADMINISTRATOR, until=last_day)
        token = sit(locum, is_whole=who != "half")
        if who == "ended":
            assert browser(token).get("/account").status_code == 200
            moment.pass_by(hours=15)  # the second of March in Seoul
            token = sit(locum)
        elif who == "expired":
            moment.pass_by(hours=12)
        elif who == "revoked":
            browser(token).post("/account/sessions/end-others")
            assert browser(token).post("/sign-out").status_code == 303
        elif who == "gone":
            set_active(opened.records, locum.id, False, by=None, now=moment.now)
    client = browser(token)
    for page, method, path in PROTECTED:
        answer = client.request(method, path)
        if who == "half" and answer.status_code == 303:
            assert answer.headers["location"] == "/second-factor"
        else:
            assert is_turned_away(answer), (page.name, path, answer.status_code)
        assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("role", list(Role))
def test_each_role_reaches_what_its_rights_say_and_nothing_else(role, browser, make_account, sit):
    """Refused is 403; let in is anything but that, also "there is no such thing". No fault."""
    make_account("ida", Role.ADMINISTRATOR)
    who = make_account("bo", role)
    for page, method, path in PROTECTED:
        answer = browser(sit(who)).request(method, path)
        may = page.needs in rights_of(role)
        told = (page.name, method, path, answer.status_code)
        assert (answer.status_code != 403) is may, told
        assert answer.status_code not in (401, 500), told
        if not may and answer.headers["content-type"].startswith("text/html"):
            assert f"not part of the role {role.value}" in answer.text


@pytest.mark.parametrize("role", list(Role))
def test_another_branchs_user_reaches_no_region_that_is_not_theirs(
    role, browser, make_account, sit
):
    """An address that names it answers as if it were not there, and nowhere stands its name."""
    token = sit(make_account("so", role, branches=["at-south"]))
    for page, method, path in PROTECTED:
        if page.needs not in rights_of(role):
            continue
        answer = browser(token).request(method, path)
        if "{region}" in page.path or "{branch}" in page.path:
            assert answer.status_code == 404, (page.name, path)
        if method == "GET" and page.path == "/":
            assert "Northton" not in answer.text, path


# What somebody may write into an address to reach a file, a query, a page or a number.
STRANGE = (
    *("..%2f..%2fpractice.toml", "%2e%2e%5c%2e%2e%5cpractice.toml", "%2fetc%2fpasswd"),
    *("..%2fpractice.toml.light.svg", "9" * 25, "%27%20OR%201%3d1--", "%3cscript%3e", "%25s%25n"),
)


@pytest.mark.parametrize("role", [Role.ADMINISTRATOR, Role.VET])
def test_a_strange_part_of_an_address_reaches_no_file_and_is_no_fault(
    role, browser, make_account, sit, opened
):
    """Every address with parts, each with another of what is tried; nothing comes back as code."""
    client = browser(sit(make_account("bo", role)))
    calls = [(page, method) for page in PAGES if "{" in page.path for method in page.methods]
    for n, (page, method) in enumerate(calls):
        part = STRANGE[n % len(STRANGE)]
        answer = client.request(method, re.sub(r"\{\w+(:\w+)?\}", part, page.path))
        told = (page.name, method, part, answer.status_code)
        assert answer.status_code < 500, told
        assert "flare_weeks_per_dose" not in answer.text, told
        assert "<script>" not in answer.text, told


ELSEWHERE = (
    {"origin": None},
    {"origin": "http://elsewhere.example"},
    {"origin": "https://127.0.0.1:8400"},
    {"origin": "http://127.0.0.1:8401"},
    {"origin": "http://localhost:8400"},
    {"origin": "null"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
    {"sec-fetch-site": "none"},
    {"origin": None, "sec-fetch-site": "cross-site"},
)


def test_no_form_is_taken_from_elsewhere(browser, make_account, sit):
    """Every POST there is, as an administrator and as a vet: refused before anything is done."""
    people = {role: make_account(role.value, role) for role in (Role.ADMINISTRATOR, Role.VET)}
    for role, sent in itertools.product(people, ELSEWHERE):
        who = people[role]
        token = sit(who)
        for page, method, path in CALLS:
            if page.is_one_click:
                continue  # by mail programs, which tell no origin: the address is all it takes
            if method == "POST" and (page.needs is None or who.may(page.needs)):
                answer = browser(token, **sent).post(path)
                assert answer.status_code == 403, (page.name, sent, answer.status_code)
                assert "was not taken" in answer.text
        assert browser(token).get("/account").status_code == 200, "the session lives on"


def test_no_answer_may_be_kept_framed_or_guessed_at(browser, make_account, sit):
    """Headers stand on every answer: let in, refused, not found, failed, moved."""
    clients = [browser(), browser(sit(make_account("bo", Role.VET)))]
    calls = [*CALLS, (None, "GET", "/nowhere"), (None, "PUT", "/"), (None, "GET", "/static/no")]
    for client in clients:
        for _, method, path in calls:
            answer = client.request(method, path)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "same-origin"
            assert answer.headers["cache-control"]
            assert "strict-transport-security" not in answer.headers


def test_a_session_is_lengthened_by_a_person_alone(browser, make_account, sit, moment):
    """An hour without use ends it, also where a page left open goes on asking by its script."""
    bo = make_account("bo", Role.VET)
    used, left = sit(bo), sit(bo)
    script = {"sec-fetch-mode": "cors", "sec-fetch-site": "same-origin"}
    moment.pass_by(minutes=59)
    assert browser(used).get("/account").status_code == 200
    assert browser(left, **script).get("/account").status_code == 200
    moment.pass_by(minutes=1)
    assert browser(used).get("/account").status_code == 200
    assert browser(left).get("/account").status_code == 303

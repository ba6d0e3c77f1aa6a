"""The door: hosts, cookies, forms, limits, refusals."""

from __future__ import annotations

import asyncio
import itertools
import json

import pytest
from starlette.requests import Request
from starlette.staticfiles import StaticFiles
from starlette.testclient import TestClient

from forecast.accounts.roles import Right, Role
from forecast.pages import bodies
from forecast.pages.addresses import addresses
from forecast.pages.all_pages import all_pages
from forecast.pages.bodies import TooSlowError, read_form
from forecast.pages.door import _LED_TO, Door
from forecast.pages.outside import Outside
from forecast.pages.page import GoTo, Page, View
from forecast.pages.serving import build_app
from forecast.settings_pages import PagesSection

ADDRESS = "http://127.0.0.1:8400"
PUBLIC = "https://forepaw.practice.example"
PASSWORD = "plum tractor violin"


def sign_in(client, name="bo", password=PASSWORD, **more):
    form = {"email": f"{name}@practice.example", "password": password} | more
    return client.post("/sign-in", data=form)


# ------------------------------------------------------------------------------ addresses and hosts
def test_what_browsers_may_call_it_by_default():
    """Names of this machine alone, at the port; in the form in which browsers name origins."""
    own = {"http://127.0.0.1:8400", "http://localhost:8400", "http://[::1]:8400"}
    assert addresses(PagesSection()).origins == own
    usual = addresses(PagesSection(), port=80)
    assert usual.origins == {"http://127.0.0.1", "http://localhost", "http://[::1]"}
    assert not usual.is_secure


def test_what_browsers_may_call_it_behind_a_proxy():
    """Forms from the public address alone; this machine may still ask whether it is well."""
    known_as = addresses(PagesSection(public_address=f"{PUBLIC}:443"))
    assert known_as.origins == {PUBLIC}
    assert known_as.hosts == {
        "forepaw.practice.example",
        "127.0.0.1:8400",
        "localhost:8400",
        "[::1]:8400",
    }
    assert known_as.is_secure


def test_a_strange_host_is_refused(browser):
    """A page elsewhere may point its own name at this machine (DNS rebinding)."""
    for host in (
        "elsewhere.example",
        "127.0.0.1",
        "127.0.0.1:8401",
        "127.0.0.1:8400.elsewhere",
        "",
    ):
        answer = browser(host=host).get("/sign-in")
        assert answer.status_code == 421
        assert "called by a name that is not its own" in answer.text


def test_an_address_of_strange_signs_is_refused(browser, make_account, sit):
    """Some databases take no NUL; an address that holds one is none of ours."""
    client = browser(sit(make_account("ida", Role.ADMINISTRATOR)))
    for path in ("/people/%00", "/people/a%0ab", "/people/%1b[2J"):
        answer = client.get(path)
        assert answer.status_code == 400
        assert "signs that none has" in answer.text
    assert client.get("/people/%ff%fe").status_code in (400, 404)
    assert client.get("/people/%f0%9f%90%95").status_code == 404


@pytest.mark.parametrize("path", ["/imports/" + "9" * 5_000, "/x" * 501])
def test_an_address_that_is_longer_than_any_is_refused_before_it_is_read(browser, path, caplog):
    """Its part would be taken for a number, which is a fault, and a log that anybody can fill."""
    answer = browser().get(path)
    assert answer.status_code == 414
    assert "longer than any" in answer.text
    assert caplog.records == []


def test_pictures_and_data_are_not_given_to_pages_of_other_sites(browser):
    """A link from a mail is welcome."""
    sent = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert browser(**sent).get("/sign-in").status_code == 403
    assert browser(**sent | {"sec-fetch-mode": "navigate"}).get("/sign-in").status_code == 200


# --------------------------------------------------------------------------------------- cookies
def cookies(answer) -> dict[str, str]:
    return {c.split("=")[0]: c for c in answer.headers.get_list("set-cookie")}


def test_cookies_on_this_machine(browser, make_account):
    """No script reads them, no other site's form sends them; they end with the browser."""
    make_account("bo", Role.VET)
    given = cookies(sign_in(browser()))
    assert set(given) == {"forepaw-session", "forepaw-browser"}
    for cookie in given.values():
        assert "; HttpOnly" in cookie
        assert "; SameSite=lax" in cookie
        assert "; Path=/" in cookie
        assert "Secure" not in cookie
        assert "Domain" not in cookie
    assert "Max-Age" not in given["forepaw-session"]


def test_cookies_and_headers_over_tls(opened, make_account):
    """Held to TLS, this very host and the whole of it by their names."""
    make_account("bo", Role.VET)
    known_as = addresses(PagesSection(public_address=PUBLIC))
    app = build_app(opened, all_pages(), door=Door(known_as), outside=Outside())
    client = TestClient(app, base_url=PUBLIC, headers={"origin": PUBLIC}, follow_redirects=False)
    answer = sign_in(client)
    given = cookies(answer)
    assert set(given) == {"__Host-forepaw-session", "__Host-forepaw-browser"}
    for cookie in given.values():
        assert "; Secure" in cookie
        assert "; Path=/" in cookie
        assert "Domain" not in cookie
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    assert client.get("/account").status_code == 200
    out = cookies(client.post("/sign-out"))["__Host-forepaw-session"]
    assert "Max-Age=0" in out
    assert "; Secure" in out


def test_a_planted_session_is_not_taken_over(browser, make_account, sit):
    """Signing in gives a new token, and what the browser carried before is of no use."""
    ann, bo = make_account("ann", Role.VET), make_account("bo", Role.NURSE)
    planted = sit(ann)
    client = browser(planted)
    answer = sign_in(client)
    assert planted not in answer.headers["set-cookie"]
    assert "bo@practice.example" in client.get("/account").text
    assert browser(planted).get("/account").status_code == 303
    unknown = browser("x" * 43)
    assert "x" * 43 not in sign_in(unknown, bo.name).headers["set-cookie"]


# ----------------------------------------------------------------------------------------- forms
def token_in(page: str) -> str:
    return page.split('name="form_token" value="')[1].split('"')[0]


def test_an_old_browser_is_let_in_by_the_forms_token(browser, make_account, sit):
    """It tells nothing of where a form comes from; the token is that session's alone."""
    ann, bo = make_account("ann", Role.VET), make_account("bo", Role.VET)
    old = browser(sit(bo), origin=None)
    token, others = (
        token_in(old.get("/account").text),
        token_in(browser(sit(ann)).get("/account").text),
    )
    for wrong in ({}, {"form_token": ""}, {"form_token": others}, {"form_token": token[:-1]}):
        assert old.post("/account/sessions/end-others", data=wrong).status_code == 403
    right = {"form_token": token}
    assert old.post("/account/sessions/end-others", data=right).status_code == 303
    stranger = browser(origin=None)
    assert sign_in(stranger, form_token=token).status_code == 403


URLENCODED = "application/x-www-form-urlencoded"
NO_FORMS = (
    (b"a" * 20_000, URLENCODED, 413),
    (b"x", "multipart/form-data", 400),
    (b"x", "multipart/form-data; boundary=b", 400),
    (b"--b\r\nnothing: of it\r\n", "multipart/form-data; boundary=b", 422),
    (b"\xff\xfe=%zz&email=%ff&password=%00", URLENCODED, 422),
    (b"email=%ed%a0%80&password=%ed%a0%80", URLENCODED, 422),
    (b'{"email": "a"}', "application/json", 422),
    (b"", URLENCODED, 422),
)


def test_what_is_no_form_is_refused_in_a_sentence(browser):
    """Too large, cut off, not of that kind, no text: never a fault."""
    for content, kind, status in NO_FORMS:
        answer = browser().post("/sign-in", content=content, headers={"content-type": kind})
        assert answer.status_code == status, (content[:30], answer.text)
        assert "Traceback" not in answer.text


def test_a_body_of_unknown_length_is_counted_as_it_comes(browser):
    """Nothing of it is believed beforehand."""

    def pieces():
        for _ in range(100):
            yield b"a" * 1_000

    kind = {"content-type": "application/x-www-form-urlencoded"}
    answer = browser().post("/sign-in", content=pieces(), headers=kind)
    assert answer.status_code == 413
    assert "larger than the 16 kB that are taken here" in answer.text


def test_a_body_that_stops_coming_is_not_waited_for(monkeypatch):
    """Who opens many and sends nothing would hold them all."""
    monkeypatch.setattr(bodies, "_SILENCE_SECONDS", 0.01)

    async def never():
        await asyncio.sleep(60)

    kind = (b"content-type", b"application/x-www-form-urlencoded")
    scope = {"type": "http", "method": "POST", "headers": [kind], "path": "/"}
    page = Page("/", "p", None, lambda _: None)
    with pytest.raises(TooSlowError, match="nothing more came"):
        asyncio.run(read_form(Request(scope, never), page))


# -------------------------------------------------------------------------------------- refusals
def test_a_refusal_has_the_form_that_was_asked(browser, make_account, sit):
    """A page for people, JSON for programs, a line for CSV; and where the page leads back to."""
    stranger = browser()
    answer = stranger.get("/people.json")
    assert (answer.status_code, answer.headers["content-type"]) == (401, "application/json")
    assert set(json.loads(answer.text)) == {"refused", "status"}
    assert stranger.get("/people.csv").headers["content-type"].startswith("text/plain")
    asked = {"accept": "application/json"}
    assert stranger.get("/people", headers=asked).status_code == 401
    moved = stranger.get("/people?part=2")
    assert moved.headers["location"] == "/sign-in?next=%2Fpeople%3Fpart%3D2"
    vet = browser(sit(make_account("bo", Role.VET)))
    for path, status in (("/people", 403), ("/nowhere", 404)):
        page = vet.get(path)
        assert page.status_code == status
        assert "bo" in page.text, "the menu is there, and the way out"


def test_a_fault_is_told_without_its_words(opened, browser, make_account, sit, caplog):
    """What broke may hold a name: the page says that it broke, the log's words are fixed."""

    def broken(_):
        raise RuntimeError("the owner Jane Roe is not a number")

    pages = [Page("/broken", "broken", Right.OWN_ACCOUNT, broken)]
    app = build_app(opened, pages, door=Door(), outside=Outside())
    client = TestClient(app, base_url=ADDRESS)
    client.cookies.set("forepaw-session", sit(make_account("bo", Role.VET)), domain="127.0.0.1")
    answer = client.get("/broken")
    assert answer.status_code == 500
    assert "Jane Roe" not in answer.text
    assert "failed by a fault of the service" in answer.text
    assert answer.headers["content-security-policy"]
    assert [record.getMessage() for record in caplog.records if record.name == "forepaw.pages"] == [
        "a page failed"
    ]


def test_settings_that_cannot_be_read_are_said_so_and_no_more(opened, browser, make_account, sit):
    """One sentence to everybody, with headers; nothing of the file; and fine once it is mended."""
    file = opened.practice().settings_file
    text = file.read_text()
    clients = [browser(), browser(sit(make_account("bo", Role.VET)))]
    file.write_text(f'{text}\nsecret_of = "Quill"\n[[[')
    # a stranger is sent to sign in before anything of the practice is looked at
    told = {
        "/": (303, 503),
        "/sign-in": (503, 503),
        "/data.json": (401, 503),
        "/nowhere": (404, 404),
    }
    for path, (who, client) in itertools.product(told, enumerate(clients)):
        answer = client.get(path)
        assert answer.status_code == told[path][who], path
        assert "Quill" not in answer.text
        assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "cannot be read as they stand now" in clients[0].get("/sign-in").text
    file.write_text(text)
    assert clients[1].get("/account").status_code == 200


def test_what_fails_behind_every_page_is_still_a_sentence_with_headers(browser, monkeypatch):
    """Files of the service are no page: their faults end at the guard."""
    monkeypatch.setattr(StaticFiles, "lookup_path", lambda *_: 1 / 0)
    answer = browser().get("/static/forepaw.css")
    assert answer.status_code == 500
    assert "failed by a fault of the service" in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_a_sentence_is_said_once_and_not_to_a_script(opened, make_account, sit):
    """What polls for JSON does not take it away from the page."""
    pages = [
        Page("/do", "do", Right.OWN_ACCOUNT, lambda _: GoTo("/see", "It is done."), ("POST",)),
        Page(
            "/see",
            "see",
            Right.OWN_ACCOUNT,
            lambda _: View("refused.html", {"sentence": "seen", "status": 200}),
            has_data=True,
        ),
    ]
    app = build_app(opened, pages, door=Door(), outside=Outside())
    client = TestClient(app, base_url=ADDRESS, headers={"origin": ADDRESS}, follow_redirects=False)
    client.cookies.set("forepaw-session", sit(make_account("bo", Role.VET)), domain="127.0.0.1")
    assert client.post("/do").status_code == 303
    assert client.get("/see.json").status_code == 200
    assert "It is done." in client.get("/see").text
    assert "It is done." not in client.get("/see").text


def test_an_address_that_names_another_branch_is_not_there(opened, make_account, sit):
    """For who is limited to branches; their own, and what names none, is."""

    def shown(asked):
        view = {"sentence": f"regions {sorted(asked.regions or ['all'])}", "status": 200}
        return View("refused.html", view)

    paths = ("/of/{region}", "/at/{branch}", "/both/{region}/{branch}", "/none")
    pages = [Page(path, path, Right.OWN_ACCOUNT, shown, has_data=True) for path in paths]
    app = build_app(opened, pages, door=Door(), outside=Outside())

    def statuses(branches):
        token = sit(make_account(f"bo{len(branches)}", Role.VET, branches=branches))
        client = TestClient(app, base_url=ADDRESS)
        client.cookies.set("forepaw-session", token, domain="127.0.0.1")
        called = {
            f"{path}{suffix}": client.get(f"{path}{suffix}")
            for path in ("/of/north", "/of/south", "/at/at-north", "/at/at-south", "/none")
            for suffix in ("", ".json")
        }
        for mixed in ("/both/south/at-north", "/both/south/at-south"):
            called[mixed] = client.get(mixed)
        return client, {path for path, answer in called.items() if answer.status_code == 200}

    client, reached = statuses(["at-south"])
    assert reached == {
        *("/of/south", "/of/south.json", "/at/at-south", "/at/at-south.json"),
        *("/none", "/none.json", "/both/south/at-south"),
    }
    assert "regions [&#39;south&#39;]" in client.get("/none").text
    assert len(statuses([])[1]) == 12
    assert len(statuses(["at-south", "at-north"])[1]) == 12


def test_the_menu_shows_what_the_role_may_see(browser, make_account, sit):
    """And marks where one is."""
    admin = browser(sit(make_account("ida", Role.ADMINISTRATOR))).get("/people").text
    assert '<a href="/people" aria-current="page">People</a>' in admin
    nurse = browser(sit(make_account("bo", Role.NURSE))).get("/account").text
    assert 'href="/people"' not in nurse


def test_the_menu_says_where_one_is_on_pages_that_it_leads_to(browser, make_account, sit):
    """The rooms of the data desk are below Data, those of dogs below Dogs; every one is a page."""
    manager = browser(sit(make_account("manager", Role.MANAGER)))
    for path, above in (("/imports", "/data"), ("/layouts", "/data"), ("/vets", "/dogs")):
        page = manager.get(path).text
        assert f'<a href="{above}" aria-current="true">' in page
        assert page.count('aria-current="true"') == 1
    pages = all_pages()
    for below, above in _LED_TO.items():
        assert any(f"{page.path}/".startswith(f"{below}/") for page in pages), below
        assert any(page.menu and page.path == above for page in pages), above

"""The data page: whether the data is fresh in a sentence, and what may be asked for."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from starlette.testclient import TestClient

from forecast.accounts.roles import Role
from forecast.pages.all_pages import all_pages
from forecast.pages.door import Door
from forecast.pages.outside import JobRow, NotToldError, Outside, RequestKind, SourceRow
from forecast.pages.serving import build_app
from forecast.records.requests import claim, note_run, report_progress, requests
from forecast.records.runs import start_run

SOURCE = SourceRow(
    id="nasa_power",
    kind="weather",
    newest=date(2023, 2, 26),
    age_days=3,
    allowed_days=5,
    is_stale=False,
    last_error="",
    terms="free, no key",
    credit="cite it",
    retrieved_at=datetime(2023, 2, 28, 18, 30, tzinfo=UTC),
)
STALE = replace(SOURCE, id="ghcn_daily", age_days=9, is_stale=True, last_error="it timed out")
NEW = replace(SOURCE, id="pollen_files", newest=None, age_days=None, is_stale=None)
JOBS = (
    JobRow("issue", "issues", "done", datetime(2023, 2, 28, 20, tzinfo=UTC), "issue a", None),
    JobRow("back-up", "backs up", "", None, "", datetime(2023, 3, 1, 14, 30, tzinfo=UTC)),
)
KINDS = (
    RequestKind("issue", "Issue now", "Forecasts anew."),
    RequestKind("pull weather", "Pull now", "Of no use here, as no such job is."),
)


@pytest.fixture
def at_page(opened, make_account, sit):
    """Give what makes a browser of a role at a practice whose sources are those given."""

    def make(*sources: SourceRow, role: Role = Role.MANAGER, clock: bool | None = True):
        outside = Outside(
            sources=lambda practice, records, climate: sources,
            jobs=lambda practice, records: JOBS,
            request_kinds=KINDS,
            clock_runs=lambda practice: clock,
        )
        app = build_app(opened, all_pages(), door=Door(), outside=outside)
        address = "http://127.0.0.1:8400"
        client = TestClient(
            app, base_url=address, headers={"origin": address}, follow_redirects=False
        )
        client.cookies.set("forepaw-session", sit(make_account(f"a{role.value}", role)))
        return client

    return make


@pytest.mark.parametrize(
    ("sources", "answer"),
    [
        ((), "No source is in use: weather comes by hand alone"),
        ((SOURCE,), "Every source is as fresh as it should be"),
        ((SOURCE, STALE), "1 of 2 sources is stale, ghcn_daily"),
        ((NEW,), "Nothing has come yet from any source"),
        (
            (STALE, NEW),
            "1 of 2 sources is stale, ghcn_daily; from pollen_files nothing has come yet",
        ),
    ],
)
def test_the_answer_stands_first_and_not_known_is_not_fresh(sources, answer, at_page):
    """In a sentence."""
    shown = json.loads(at_page(*sources).get("/data.json").text)
    assert shown["answer"] == answer


def test_sources_that_cannot_be_told_are_not_said_to_be_none(opened, make_account, sit):
    """A slip in practice.toml is told here and on the first page, and no source is made up."""

    def not_told(practice, records, climate):
        raise NotToldError("practice.toml names the source 'nasa_pwoer' under [[pull]]")

    app = build_app(opened, all_pages(), door=Door(), outside=Outside(sources=not_told))
    client = TestClient(app, base_url="http://127.0.0.1:8400")
    client.cookies.set("forepaw-session", sit(make_account("manager", Role.MANAGER)))
    shown = json.loads(client.get("/data.json").text)
    assert shown["answer"].startswith("How fresh the data are is not known")
    for path in ("/data", "/"):
        html = client.get(path).text
        assert "nasa_pwoer" in html
        assert "No source is" not in html
        assert "No open service" not in html


def test_a_source_is_told_with_age_error_terms_and_local_time(at_page):
    """18:30 UTC is half past three in the morning in Seoul, where the practice is."""
    text = at_page(SOURCE, STALE).get("/data").text
    for words in ("3 days of 5 allowed", "9 days of 5 allowed", "Wed 1 Mar 03:30", "free, no key"):
        assert words in text
    assert "The last pull of ghcn_daily failed in part or whole: it timed out" in text


def test_tables_are_given_as_csv(at_page):
    """The same numbers."""
    text = at_page(SOURCE).get("/data.csv?table=sources").text
    assert text.splitlines()[1].startswith("nasa_power,weather,2023-02-26,3,5,False")
    assert at_page(SOURCE, role=Role.VET).get("/data.csv?table=nothing").status_code == 404


def test_what_may_be_asked_is_what_the_practice_has_and_the_role_allows(at_page, opened):
    """A vet looks on; a job that is none of the practice's has no button."""
    manager = at_page(SOURCE)
    page = manager.get("/data").text
    assert "Issue now" in page
    assert "Pull now" not in page
    assert "Issue now" not in at_page(SOURCE, role=Role.VET).get("/data").text
    asked = manager.post("/requests", data={"kind": "issue", "back": "/data"})
    assert (asked.status_code, asked.headers["location"]) == (303, "/data#requests")
    (made,) = requests(opened.records)
    assert (made.kind, made.arguments) == ("issue", {})


def test_nothing_else_can_be_asked_for_and_no_form_leads_elsewhere(at_page, opened):
    """Not an import without a file, nor what there is not."""
    manager = at_page(SOURCE)
    for kind in ("", "import visits", "housekeeping", "undo import"):
        assert manager.post("/requests", data={"kind": kind}).status_code == 400
    assert requests(opened.records) == []
    asked = manager.post("/requests", data={"kind": "issue", "back": "//elsewhere.example"})
    assert asked.headers["location"] == "/requests#requests"


def test_how_a_request_goes_on_is_shown_without_and_with_script(at_page, opened, moment):
    """The part that is looked at again has the address, and says whether to go on looking."""
    manager = at_page(SOURCE)
    manager.post("/requests", data={"kind": "issue"})
    assert "waits for the clock" in manager.get("/requests").text
    claimed = claim(opened.records, now=moment.now)
    run = start_run(opened.records, "issue", local_date=date(2023, 3, 1), started_at=moment.now)
    note_run(opened.records, claimed.id, run.id)
    report_progress(opened.records, claimed.id, 0.42)
    text = manager.get("/data").text
    assert 'data-watch="/requests?few=yes" data-going="yes"' in text
    assert 'value="42"' in text
    assert "under way, 42 %" in text
    assert 'id="requests"' in manager.get("/requests?few=yes").text


@pytest.mark.parametrize(("clock", "warns"), [(True, False), (False, True), (None, False)])
def test_it_is_said_where_nothing_takes_requests_up(clock, warns, at_page):
    """Not where that is not known."""
    manager = at_page(SOURCE, clock=clock)
    manager.post("/requests", data={"kind": "issue"})
    assert ("No clock runs" in manager.get("/data").text) is warns

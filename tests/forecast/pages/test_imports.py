"""Imports on their pages: held ones answered by requests, findings paged and redacted."""

from __future__ import annotations

import csv
import io
import json
import re
from html import unescape

import pytest
from sqlalchemy import update

from forecast.accounts.roles import Role
from forecast.findings import Finding
from forecast.pages.imports import FindingRow, without_values
from forecast.records import tables
from forecast.records.imports import HELD, imported_files
from forecast.visits import import_visits
from forecast.visits.importing.archive import keep_findings
from jobs.clock import tick

VISITS = (
    "visit,date,branch,dog,kind\n"
    "V1,2023-01-02,at-north,D1,itch flare\n"
    "V2,2023-01-03,at-south,D2,other\n"
)


@pytest.fixture
def made(opened, tmp_path):
    """Give an import of two visits that is held."""
    file = tmp_path / "visits.csv"
    file.write_text(VISITS)
    report = import_visits(opened.practice(), opened.records, file)
    held = {"state": HELD, "held_because": ["flares are 50 % of it, 5 % before"]}
    with opened.records.writing() as connection:
        connection.execute(update(tables.imported_file).values(held))
    return report.import_id


@pytest.fixture
def manager(browser, make_account, sit):
    return browser(sit(make_account("mo", Role.MANAGER)))


def state(opened) -> str:
    return imported_files(opened.records)[-1].state


def test_a_held_import_is_told_with_its_reason(manager, made):
    """On the data page, in the list, and on its own page."""
    for address in ("/data", "/imports", f"/imports/{made}"):
        answer = manager.get(address)
        assert answer.status_code == 200
        assert "held" in answer.text
    assert "flares are 50 % of it, 5 % before" in manager.get(f"/imports/{made}").text
    (row,) = json.loads(manager.get("/imports.json").text)["held"]
    assert row["held_because"] == ["flares are 50 % of it, 5 % before"]


@pytest.mark.parametrize(("what", "after"), [("accept", "live"), ("undo", "undone")])
def test_an_answer_is_a_request_that_the_clock_carries_out(
    what, after, manager, made, opened, moment
):
    """Nothing changes by the page itself; an answer twice is one request."""
    for _ in range(2):
        assert manager.post(f"/imports/{made}/{what}").status_code == 303
    assert state(opened) == HELD
    (ran,) = tick(opened.practice().folder, moment.now, jobs=())
    assert ran.state == "done"
    assert state(opened) == after
    assert '<span class="state">done</span>' in manager.get("/requests").text


def test_what_does_not_fit_its_state_is_refused(manager, made, opened, moment):
    """What counts already cannot be accepted, what was taken back not taken back."""
    assert manager.post(f"/imports/{made}/nonsense").status_code == 400
    manager.post(f"/imports/{made}/undo")
    tick(opened.practice().folder, moment.now, jobs=())
    for what in ("accept", "undo", "again"):
        answer = manager.post(f"/imports/{made}/{what}")
        assert answer.status_code == 400
        assert "which is taken back" in answer.text
    assert manager.get("/imports/99").status_code == 404
    assert manager.post("/imports/99/undo").status_code == 404


def test_reading_again_tells_its_refusal_in_full(manager, made, opened, moment):
    """Its raw file is gone; the ledger says no more than the kind of refusal."""
    for path in opened.practice().archive_folder.glob("*.csv.gz"):
        path.unlink()
    manager.post(f"/imports/{made}/again")
    (ran,) = tick(opened.practice().folder, moment.now, jobs=())
    assert ran.state == "failed"
    assert "its raw file is kept no longer" in manager.get("/requests").text
    assert "raw file" not in ran.noted


def test_only_who_may_answer_is_offered_it(made, browser, make_account, sit):
    """A vet looks on; a manager of one branch too, as an import holds visits of all."""
    vet = browser(sit(make_account("vi", Role.VET)))
    limited = browser(sit(make_account("lou", Role.MANAGER, branches=["at-north"])))
    for client in (vet, limited):
        page = client.get(f"/imports/{made}")
        assert page.status_code == 200
        assert f"/imports/{made}/undo" not in page.text
    assert vet.post(f"/imports/{made}/undo").status_code == 403
    assert limited.post(f"/imports/{made}/undo").status_code == 400


# ------------------------------------------------------------------------------ findings
def many(n: int) -> list[Finding]:
    return [
        Finding("unknown word", "error", "v.csv", row, "dog", f"'Rex {row}'", "A1, A2", "")
        for row in range(2, n + 2)
    ] + [Finding("encoding", "note", "v.csv", None, None, "read as it is", "", "look")]


@pytest.fixture
def found(made, opened):
    """Let 120 rows be left out, and one thing be said aloud."""
    sha256 = imported_files(opened.records)[-1].sha256
    keep_findings(opened.practice().archive_folder, sha256, many(120))
    return made


def test_findings_are_paged_by_fifty_and_whole_as_csv(found, manager):
    """121 findings are three pages; a page that there is not is the nearest."""
    numbers = []
    for page in ("1", "2", "3", "99", "0", "-1", "x", "1e9"):
        shown = json.loads(manager.get(f"/imports/{found}.json?page={page}").text)
        numbers.append((shown["page"], len(shown["findings"]), shown["n_pages"]))
    first, last = (1, 50, 3), (3, 21, 3)
    assert numbers == [first, (2, 50, 3), last, last, first, first, first, first]
    text = manager.get(f"/imports/{found}.csv").text
    assert len(list(csv.DictReader(io.StringIO(text)))) == 121
    assert "Rex" not in text


def test_findings_of_one_check_alone(found, manager):
    """By a link on the check; its name is escaped in it."""
    page = manager.get(f"/imports/{found}")
    links = [unescape(link) for link in re.findall(r'href="(\?check=[^"]*)"', page.text)]
    assert links == ["?check=unknown%20word", "?check=encoding"]
    shown = json.loads(manager.get(f"/imports/{found}.json?check=encoding").text)
    assert [one["check"] for one in shown["findings"]] == ["encoding"]
    assert [(one["check"], one["n"]) for one in shown["checks"]] == [
        ("unknown word", 120),
        ("encoding", 1),
    ]


def test_what_a_finding_quotes_is_taken_out():
    """The value, whatever stands in quotation marks, and who is on record."""
    row = FindingRow("error", "twice 'Rex'", "7", "dog", "'Rex'", "A1, A2", "did you mean 'Max'?")
    assert without_values(row) == FindingRow(
        "error",
        "twice (not shown)",
        "7",
        "dog",
        "(not shown)",
        "(not shown)",
        "did you mean (not shown)?",
    )
    day = FindingRow("error", "no day", "7", "date", "'x'", "a day written as 2024-05-31", "")
    assert without_values(day).allowed == "a day written as 2024-05-31"

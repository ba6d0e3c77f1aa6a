"""The season page: the answer first, the same numbers as HTML, JSON and CSV, nothing made up."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime

import pytest
from html_check import faults_of, text_of
from issued_by_hand import lay_out
from sqlalchemy import insert
from starlette.testclient import TestClient

from forecast.accounts.roles import Role
from forecast.pages import issue_reading
from forecast.pages.all_pages import all_pages
from forecast.pages.beginning import steps
from forecast.pages.door import Door
from forecast.pages.outside import Outside, SourceRow
from forecast.pages.season import NO_ISSUE
from forecast.pages.serving import build_app
from forecast.records.tables import imported_file

ADDRESS = "http://127.0.0.1:8400"
# Of 20 draws of north, 12 are high in the week of 27 March and 15 in that of 3 April; of south, 10
# in that of 15 May.
HIGH = {"north": {3: 12, 4: 15}, "south": {10: 10}}
ANSWER = (
    "High weeks are likely in both regions, first in Northton from 27 Mar; the highest odds are "
    "3 in 4, usual 1 in 5, in Northton in the week of 3 Apr."
)


@pytest.fixture(autouse=True)
def _nothing_held():
    issue_reading.held.clear()


@pytest.fixture
def vet(browser, make_account, sit):
    return browser(sit(make_account("vet", Role.VET)))


def test_the_answer_and_every_region_are_worked_out_by_hand(
    opened, make_issued, moment, make_account, sit, browser
):
    """Likely from odds of one half on; the median of 15 hundreds and 5 noughts is 100."""
    moment.pass_by(days=9)  # 10 March, two days after the origin
    issue = lay_out(opened, make_issued, HIGH)
    vet = browser(sit(make_account("vet", Role.VET)))
    page = vet.get("/season.json").json()
    assert page["answer"] == ANSWER
    north, south = page["regions"]
    assert (north["name"], north["spells"]) == ("Northton", "likely high 27 Mar-9 Apr")
    assert (north["best_week"], north["odds"], north["usual_odds"]) == ("2023-04-03", 0.75, 0.2)
    assert (north["expected"], north["low"], north["high"]) == (100, 0, 100)
    assert north["this_week"] == 0
    assert (south["best_week"], south["odds"]) == ("2023-05-15", 0.5)
    assert page["issue"]["id"] == issue.id
    assert page["issue"]["age_days"] == 2
    assert page["issue"]["visits_until"] == "2023-03-05"  # the Sunday before the first week ahead


def test_exposure_tells_the_next_start_over_the_regions(vet, opened, make_issued):
    """Birch starts on 1 April in every draw of both regions; on 8 March it is not on."""
    lay_out(opened, make_issued, HIGH)
    (birch,) = vet.get("/season.json").json()["allergens"]
    assert birch == {
        "id": "birch",
        "name": "Birch pollen",
        "on_now": "nowhere",
        "next_start": "1 Apr (Northton first)",
        "n_regions": 2,
    }


def test_html_json_and_csv_hold_the_same(vet, opened, make_issued):
    """One object: what JSON says stands in the page and in the table."""
    lay_out(opened, make_issued, HIGH)
    page, html = vet.get("/season.json").json(), text_of(vet.get("/").text)
    assert page["answer"] in html
    for region in page["regions"]:
        assert f"{region['name']} {region['spells'][0].upper()}{region['spells'][1:]}" in html
    rows = list(csv.DictReader(io.StringIO(vet.get("/season.csv?table=regions").text)))
    assert [float(row["odds"]) for row in rows] == [row["odds"] for row in page["regions"]]
    assert [row["spells"] for row in rows] == [row["spells"] for row in page["regions"]]


def test_the_page_is_sound_html_without_script_or_style_of_its_own(vet, opened, make_issued):
    """Every element closed, ids once, every picture with words, nothing a strict policy stops."""
    lay_out(opened, make_issued, HIGH)
    answer = vet.get("/")
    assert answer.status_code == 200
    assert faults_of(answer.text) == []


def test_a_region_that_is_not_known_is_said_so(vet, opened, make_issued):
    """Never a nought, and the sentence names it."""
    lay_out(opened, make_issued, {"north": HIGH["north"], "south": None})
    page = vet.get("/season.json").json()
    assert page["answer"].endswith("Not known in Southby.")
    south = page["regions"][1]
    assert south["spells"] == "not known"
    assert {south[name] for name in ("odds", "expected", "best_week", "usual_odds")} == {None}
    html = text_of(vet.get("/").text)
    assert "Southby Not known not known not known" in html


def test_no_likely_week_is_no_promise(vet, opened, make_issued):
    """Nine of 20 draws make no likely week; their odds are told all the same, nearest 1 in 2."""
    lay_out(opened, make_issued, {"north": {3: 9}, "south": {5: 2}})
    assert vet.get("/season.json").json()["answer"] == (
        "In no region is a week ahead more likely high than not; the highest odds are 1 in 2, "
        "usual 1 in 5, in Northton in the week of 27 Mar."
    )


def test_before_the_first_forecast_the_page_says_what_to_do(vet):
    """No forecast, no figure, and no error."""
    answer = vet.get("/")
    assert answer.status_code == 200
    assert NO_ISSUE in answer.text
    assert "<figure" not in answer.text
    assert faults_of(answer.text) == []
    assert text_of(answer.text).count("none yet") == 4
    assert "A manager or an administrator brings in what is lacking" in text_of(answer.text)


def test_what_a_first_forecast_takes_is_told_with_what_is_held(opened):
    """Rows and days of what counts; weather that a source gave; taken back or held is none."""
    files = [
        ("visits", "live", 1200, date(2020, 1, 2), date(2021, 3, 4)),
        ("visits", "live", 34, date(2021, 3, 5), date(2022, 1, 1)),
        ("dogs", "undone", 9, None, None),
        ("branches", "live", 1, None, None),
    ]
    with opened.records.writing() as connection:
        for at, (subject, state, n_rows, first, last) in enumerate(files):
            row = {"subject": subject, "file_name": f"{at}.csv", "sha256": str(at), "state": state}
            row |= {"n_rows": n_rows, "first_date": first, "last_date": last}
            row |= {"imported_at": datetime(2023, 3, 1, tzinfo=UTC)}
            connection.execute(insert(imported_file).values(**row))
    pulled = SourceRow(
        "nasa_power", "weather", date(2023, 2, 1), 28, 7.0, True, "", "free", "c", None
    )
    told = {one.what: (one.held, one.is_held) for one in steps(opened.records, [pulled])}
    assert told == {
        "Daily weather": ("up to 1 Feb 2023", True),
        "Branches": ("1 row", True),
        "Dogs": ("none yet", False),
        "Visits": ("1,234 rows, 2 Jan 2020 to 1 Jan 2022", True),
    }


def test_a_hindcast_is_called_one(vet, opened, make_issued):
    """It is never passed off as what was issued."""
    lay_out(opened, make_issued, HIGH, kind="hindcast")
    html = text_of(vet.get("/").text)
    assert "A hindcast: made after that day" in html
    assert "Hindcast of 8 Mar 2023" in html


def test_people_of_one_branch_see_their_region_alone(
    browser, make_account, sit, opened, make_issued
):
    """The sentence, table and strip of theirs; the strips of all are not given out."""
    issue = lay_out(opened, make_issued, HIGH)
    nurse = browser(sit(make_account("nurse", Role.NURSE, branches=("at-south",))))
    page = nurse.get("/season.json").json()
    assert [row["id"] for row in page["regions"]] == ["south"]
    assert "Northton" not in nurse.get("/").text
    assert [one["address"] for one in page["figures"]] == [f"/figures/{issue.id}/strip-south"]
    assert nurse.get(f"/figures/{issue.id}/strip-south.wide.svg").status_code == 200
    for name in ("season-1", "strip-north", "visits-north"):
        assert nurse.get(f"/figures/{issue.id}/{name}.wide.svg").status_code == 404
    assert nurse.get("/regions/north").status_code == 404


def test_many_regions_come_in_parts_and_can_be_found(vet, opened, make_issued):
    """45 regions: 20, 20 and 5; a name finds its own; a part past the last is refused."""
    lay_out(opened, make_issued, {f"place-{n:02}": {n % 26: 12} for n in range(45)})
    last = vet.get("/season.json?part=3").json()
    assert (last["n_parts"], last["n_regions"]) == (3, 45)
    assert [row["id"] for row in last["regions"]] == [f"place-{n}" for n in range(40, 45)]
    assert last["figures"][0]["address"].endswith("/season-3")
    found = vet.get("/season.json?find=CE-07").json()
    assert [row["id"] for row in found["regions"]] == ["place-07"]
    for wrong in ("4", "0", "-1", "x", "\u0661"):
        assert vet.get("/season.json", params={"part": wrong}).status_code == 404
    assert vet.get("/season.json?find=nowhere").json()["regions"] == []
    assert faults_of(vet.get("/?find=%3Cb%3E").text) == []


def test_sources_stand_with_their_age(opened, make_issued, make_account, sit):
    """A stale one is counted and said in words; what is not known is not called fine."""
    lay_out(opened, make_issued, HIGH)
    rows = (
        SourceRow("nasa_power", "weather", date(2023, 2, 1), 28, 7.0, True, "", "free", "c", None),
        SourceRow("traps", "pollen", None, None, 7.0, None, "no answer", "free", "c", None),
    )
    app = build_app(opened, all_pages(), door=Door(), outside=Outside(sources=lambda *_: rows))
    client = TestClient(app, base_url=ADDRESS, follow_redirects=False)
    client.cookies.set("forepaw-session", sit(make_account("vet", Role.VET)), domain="127.0.0.1")
    html = text_of(client.get("/").text)
    assert "1 source is older than it may be." in html
    assert "nasa_power weather 1 Feb 2023 28 days up to 7 is usual older than it may be" in html
    assert "traps pollen nothing held not known not known no answer" in html

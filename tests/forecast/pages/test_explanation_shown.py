"""Why a week differs from what is usual: one object as page, JSON and CSV."""

from __future__ import annotations

import csv
import io
from math import log

import pytest
from html_check import faults_of, text_of
from issued_by_hand import lay_out

from forecast.accounts.roles import Role
from forecast.pages import issue_reading

HIGH = {"north": {3: 12, 4: 15}, "south": None}
# 50 x 1.2 x 1.5 x 0.8 = 72 flares per 1,000
TERMS = {"usual": log(0.05), "season": log(1.2), "humidity": log(1.5), "remainder": log(0.8)}


@pytest.fixture(autouse=True)
def _nothing_held():
    issue_reading.held.clear()


@pytest.fixture
def vet(browser, make_account, sit):
    return browser(sit(make_account("vet", Role.VET)))


@pytest.fixture
def issue(opened, make_issued):
    return lay_out(opened, make_issued, HIGH, terms=TERMS)


def test_page_json_and_csv_say_the_same(vet, issue):
    """Of the fourth week +44 % in all: as a sentence, in the table, and as logs."""
    told = vet.get("/regions/north.json").json()["explanation"]
    assert told["sentence"].startswith(
        "Northton, week of 3 Apr: 72.0 flares per 1,000 consultations, 44 % more than the 50.0"
    )
    assert told["parts"] == ["season", "humidity", "all else"]
    week = told["weeks"][3]
    assert week["week"] == "2023-03-27"
    assert week["forecast"] == pytest.approx(72.0)
    assert sum(week["parts"].values()) == pytest.approx(log(1.44))
    rows = list(csv.DictReader(io.StringIO(vet.get("/regions/north.csv?table=why").text)))
    assert len(rows) == 26
    assert float(rows[3]["forecast_per_1000"]) == pytest.approx(72.0)
    assert float(rows[3]["log_humidity"]) == pytest.approx(log(1.5))
    html = vet.get("/regions/north").text
    assert faults_of(html) == []
    said = text_of(html)
    assert "27 Mar 2023 50.0 72.0 +44 % +20 % +50 % -20 %" in said
    assert said.index(told["sentence"]) < said.index("27 Mar 2023 50.0 72.0")


def test_the_picture_has_an_address_of_its_own(vet, issue):
    """As a file of the issue, with the sentence as its words."""
    html = vet.get("/regions/north").text
    assert f"/figures/{issue.id}/why-north.wide.svg" in html
    drawn = vet.get(f"/figures/{issue.id}/why-north.wide.svg").text
    assert "humidity: +50 %" in drawn


def test_without_what_moves_it_the_page_says_so(vet, opened, make_issued):
    """An older issue opens; a region without visits has nothing to explain."""
    lay_out(opened, make_issued, HIGH)
    assert vet.get("/regions/north.json").json()["explanation"] is None
    assert "was not kept with this issue" in text_of(vet.get("/regions/north").text)
    assert "was not kept with this issue" not in text_of(vet.get("/regions/south").text)


def test_a_region_without_visits_beside_one_with_them_has_none(vet, issue):
    """What is not known is not explained from the others."""
    assert vet.get("/regions/south.json").json()["explanation"] is None
    assert vet.get(f"/figures/{issue.id}/why-south.wide.svg").status_code == 404

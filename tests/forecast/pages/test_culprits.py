"""What flares follow, as vets see it: what was kept, plainly, and a way to ask for it anew."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
from html_check import faults_of

from forecast.accounts.roles import Role
from forecast.culprits import keep_culprits, kept_culprits
from forecast.pages.all_pages import all_pages
from forecast.pages.door import Door
from forecast.pages.outside import Outside, RequestKind
from forecast.pages.serving import build_app
from forecast.records.issues import IssueRow, add_issue
from forecast.records.requests import requests
from models.culprits import Culprits, LagOdds
from models.culprits.conditional_logit import LogitFit

FIT = LogitFit(np.zeros(1), np.eye(1), 0.0)
KINDS = (RequestKind("culprits", "Work it out", "It takes a minute."),)


def odds(driver: str, verdict: str, **changes: float) -> LagOdds:
    values = {
        **{"driver": driver, "window": (0, 6), "odds_ratio": 1.25, "low": 1.1, "high": 1.42},
        **{"p_value": 0.004, "q_value": 0.02, "any_p_value": 0.03, "verdict": verdict},
        **{"terms": (driver,), "fit": FIT, "inflation": 2.0},
    }
    return LagOdds(**(values | changes))


def told(*found: LagOdds, p_value: float = 0.03) -> Culprits:
    return Culprits(found, p_value, 200, 150, 40, 10, 16, 10_000)


@pytest.fixture
def app(opened):
    outside = Outside(request_kinds=KINDS)
    return build_app(opened, all_pages(), door=Door(), outside=outside)


@pytest.fixture
def keep(opened):
    """Give what keeps a result as the job does, on an issue."""
    now = opened.practice().now
    day = now.date()
    ids = ("abcdef123456", now, day, "issued", "m", "s", 1, "f.nc", "h", "c", None)
    add_issue(opened.records, IssueRow(*ids), settings_text="", summaries={})

    def make(found: Culprits, days_ago: int = 0) -> None:
        made_at = now - timedelta(days=days_ago)
        keep_culprits(opened.records, found, dogs=60, issue_id="abcdef123456", made_at=made_at)

    return make


@pytest.fixture
def vet(browser, make_account, sit):
    return browser(sit(make_account("vet", Role.VET)))


def test_what_was_found_stands_with_its_interval_and_the_caution(vet, keep):
    """The newest counts; the found row is marked, its picture lies on a logarithmic scale."""
    keep(told(odds("trees", "found")), days_ago=30)
    keep(told(odds("humidity", "found"), odds("grasses", "cannot be told", p_value=0.4)))
    page = vet.get("/what-flares-follow").text
    assert faults_of(page) == []
    assert "150 flare visits follow, beyond the season: humidity 0 to 6 days" in page
    assert "200 flare visits of 60 dogs, 16 whole years of exposure" in page
    assert "no diagnosis of any dog" in page
    assert "grass pollen" in page
    assert "left out: 40 of dogs under cover" in page
    shown = json.loads(vet.get("/what-flares-follow.json").text)["rows"][0]
    # log(1.25 / 0.5) / log(4) of 240
    assert shown["middle"] == pytest.approx(240 * np.log(2.5) / np.log(4), abs=0.06)
    assert "humidity,0,6,1.25" in vet.get("/what-flares-follow.csv").text


def test_that_nothing_is_seen_is_said_plainly(vet, keep):
    """And what is not known is no number."""
    nan = float("nan")
    keep(told(odds("grasses", "cannot be told"), p_value=0.6))
    assert (
        "Nothing beyond the season is seen in 150 flare visits"
        in vet.get("/what-flares-follow").text
    )
    short = odds("grasses", "cannot be told", p_value=nan, q_value=nan, low=nan, high=nan)
    keep(told(short, p_value=nan))
    page = vet.get("/what-flares-follow").text
    assert "nothing beyond the season can be told" in page
    assert "not known" in page
    assert "nan" not in page
    assert "NaN" not in vet.get("/what-flares-follow.json").text


def test_before_it_was_worked_out_a_vet_asks_for_it(vet, opened):
    """The clock takes it up; nobody but vets sees the page."""
    assert "was not worked out yet" in vet.get("/what-flares-follow").text
    assert vet.post("/what-flares-follow/ask").status_code == 303
    (one,) = requests(opened.records)
    assert (one.kind, one.state) == ("culprits", "waiting")
    assert kept_culprits(opened.records) is None


@pytest.mark.parametrize("role", [Role.NURSE, Role.MANAGER, Role.DESK, Role.ADMINISTRATOR])
def test_others_do_not_see_it(role, browser, make_account, sit):
    """It is easily taken for a diagnosis."""
    client = browser(sit(make_account(role.value, role)))
    assert client.get("/what-flares-follow").status_code == 403

"""The page of a region: its weeks in numbers, why, and how it did; its figures by address."""

from __future__ import annotations

import csv
import io
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import numpy as np
import pytest
from html_check import faults_of, text_of
from issued_by_hand import lay_out
from sqlalchemy import insert

from forecast import figure_files, issue_files
from forecast.accounts.roles import Role
from forecast.evidence_files import (
    BesideIssue,
    CoverDecides,
    read_beside,
    write_beside,
    write_evidence,
)
from forecast.figure_files import draw_for_pages
from forecast.pages import figure_pages, issue_reading
from forecast.pages.warming import draw_newest
from forecast.records.tables import count_vintage
from forecast.records.verifications import Verification, keep_verifications
from models.flare.attribution import FOUND, NOT_TOLD, Evidence

HIGH = {"north": {3: 12, 4: 15}, "south": None}


@pytest.fixture(autouse=True)
def _nothing_held():
    issue_reading.held.clear()


@pytest.fixture
def vet(browser, make_account, sit):
    return browser(sit(make_account("vet", Role.VET)))


@pytest.fixture
def issue(opened, make_issued):
    return lay_out(opened, make_issued, HIGH)


def test_every_week_ahead_is_told_in_numbers(vet, issue):
    """26 weeks; of the week of 27 March 12 draws of 20 are 100, so it is likely, and 0 to 100."""
    page = vet.get("/regions/north.json").json()
    assert len(page["weeks"]) == 26
    assert page["weeks"][3] == {
        "week": "2023-03-27",
        "odds": 0.6,
        "usual_odds": 0.2,
        "expected": 100,
        "low": 0,
        "high": 100,
        "usual": 100,
        "likely": True,
    }
    assert not page["weeks"][0]["likely"]
    assert page["answer"].startswith("Northton: high weeks are likely 27 Mar-9 Apr")
    rows = list(csv.DictReader(io.StringIO(vet.get("/regions/north.csv").text)))
    assert [float(row["odds"]) for row in rows] == [week["odds"] for week in page["weeks"]]
    html = text_of(vet.get("/regions/north").text)
    assert "27 Mar 2023 ▲ likely high 3 in 5" not in html  # 3 in 5 is no plain fraction
    assert "27 Mar 2023 ▲ likely high 2 in 3 1 in 5 100 0 to 100 100.0" in html


def test_seasons_come_with_the_dates_they_were_laid_out_with(vet, issue):
    """Birch of every draw: 1 to 20 April, its peak on the 10th."""
    seasons = vet.get("/regions/north.json").json()["seasons"]
    birch = seasons[-1]
    assert (birch["name"], birch["days"]) == ("Birch pollen", "1-20 Apr")
    assert birch["peak"] == ["2023-04-10"] * 3
    assert birch["share_of_futures"] == 1
    rows = csv.DictReader(io.StringIO(vet.get("/regions/north.csv?table=seasons").text))
    assert [row["peak_50"] for row in rows][-1] == "2023-04-10"


def test_the_page_is_sound_and_needs_no_script(vet, issue):
    """Pictures with words, tables and reasons stand in what the server sends."""
    for region in ("north", "south"):
        answer = vet.get(f"/regions/{region}")
        assert answer.status_code == 200
        assert faults_of(answer.text) == []
    html = vet.get("/regions/north").text
    assert 'alt="Northton: high weeks are likely' in html
    assert f"/figures/{issue.id}/visits-north.wide.svg" in html


def test_a_region_without_visits_has_exposure_and_no_numbers(vet, issue):
    """No fan, no weeks, and a sentence that says why."""
    page = vet.get("/regions/south.json").json()
    assert page["weeks"] == []
    assert "flare visits are not known" in page["answer"]
    assert [one["address"].rsplit("/", 1)[1] for one in page["figures"]] == ["exposure-south"]


def test_an_unknown_region_is_refused_in_a_sentence(vet, issue):
    """With its id, and without a traceback."""
    answer = vet.get("/regions/nowhere")
    assert answer.status_code == 404
    assert "Region &#39;nowhere&#39; was asked for" in answer.text


def test_evidence_is_told_where_it_was_kept(vet, opened, issue):
    """Before, that it was not kept; a verdict that cannot be told is no "no effect"."""
    assert vet.get("/regions/north.json").json()["evidence"] is None
    told = [
        Evidence("humidity", FOUND, 0.0125, 79, 0.0953, 0.0, 0.1823),
        Evidence("exposure", NOT_TOLD, float("nan"), 3, 0.1, float("nan"), float("nan")),
    ]
    write_evidence(opened.practice(), issue.id, told)
    humidity, exposure = vet.get("/regions/north.json").json()["evidence"]
    assert humidity.startswith(
        "Humidity: found. Weeks one standard deviation above normal go with 10 %"
    )
    assert exposure == "Exposure: what it does to flares cannot be told from these visits."


def test_the_record_of_the_region_is_its_own(vet, opened, make_issued):
    """A scored week of north: an error of 3 against climatology's 4, that is 0.75; south none."""
    issue = lay_out(opened, make_issued, HIGH)
    rows = [
        Verification(
            issue.id,
            "north",
            date(2023, 3, 6),
            "visits",
            _vintage(opened),
            1,
            5.0,
            score,
            usual,
            0.5,
            1.0,
            0.2,
            False,
        )
        for score, usual in ((3.0, 4.0),)
    ]
    keep_verifications(opened.records, rows)
    record = vet.get("/regions/north.json").json()["record"]
    every = record["by_lead"][-1]
    assert (every["weeks_ahead"], every["n_weeks"], every["relative"]) == ("all", 1, 0.75)
    # one season shows no spread, so nothing is said of it
    assert (every["n_seasons"], every["inside_50"], every["inside_90"]) == (1, 0.5, 1.0)
    assert every["inside_50_low"] is every["inside_90_high"] is every["low"] is None
    assert vet.get("/regions/north").text.count("spread not known") == 6
    assert not record["is_known"]
    assert "skill not yet known" in record["sentence"]
    assert vet.get("/regions/south.json").json()["record"]["by_lead"] == []


def test_a_figure_is_drawn_once_and_kept(vet, opened, issue, monkeypatch):
    """The second time nothing is drawn; the address tells browsers to keep it."""
    address = f"/figures/{issue.id}/visits-north.narrow-dark.svg"
    first = vet.get(address)
    assert first.status_code == 200
    assert first.headers["content-type"] == "image/svg+xml"
    assert "immutable" in first.headers["cache-control"]
    monkeypatch.setattr(figure_files, "svg_of", None)
    assert vet.get(address).content == first.content
    live = vet.get(f"/figures/{issue.id}/visits-north.wide.json").json()
    assert "datetime(" not in str(live)


@pytest.mark.parametrize(
    "file",
    [
        "visits-nowhere.wide.svg",
        "visits-south.wide.svg",  # its visits are not known
        "visits-north.huge.svg",
        "visits-north.wide.exe",
        "visits-north.svg",
        "..%2F..%2Fpractice.toml",
        "season-2.wide.svg",
    ],
)
def test_what_is_no_figure_is_not_found(vet, issue, file):
    """No file is read by a name that somebody made up."""
    assert vet.get(f"/figures/{issue.id}/{file}").status_code == 404
    assert vet.get(f"/figures/{'0' * 12}/visits-north.wide.svg").status_code == 404


@pytest.mark.long
def test_figures_are_drawn_ahead_in_every_look(opened, issue, monkeypatch):
    """Season, fan, years and exposure of north, exposure of south: pictures, live, four looks."""
    drawn = []
    monkeypatch.setattr(figure_files, "_drawn", lambda *given: drawn.append(given) or b"<svg/>")
    assert draw_for_pages(opened.practice(), issue) == len(drawn) == 5 * 2 * 4
    assert draw_for_pages(opened.practice(), issue) == 40
    assert len(drawn) == 40  # what is there is not drawn again


def test_an_issue_whose_draws_are_gone_still_shows(vet, opened, issue):
    """The flare season is no longer kept, and the exposure figure says that it is the median."""
    issue_files.drop_draws([issue.file])
    page = vet.get("/regions/north.json").json()
    assert page["seasons"][0]["days"] == "no longer kept with this issue"
    exposure = page["figures"][-1]
    assert any("median of the futures is drawn" in note for note in exposure["notes"])
    assert vet.get(f"{exposure['address']}.wide.svg").status_code == 200


def test_the_drawing_script_is_given_packed_and_once(vet):
    """The installed drawer, with what lets it work without making code of text."""
    given = vet.get("/charts.js", headers={"accept-encoding": "gzip"})
    assert given.headers["content-encoding"] == "gzip"
    assert "window.vegaEmbed" in given.text
    again = vet.get("/charts.js", headers={"if-none-match": given.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""


def _vintage(opened):
    values = {
        "id": "v1",
        "known_on": date(2023, 3, 1),
        "made_at": opened.practice().now,
        "case_definition": "one",
        "kind": "as known then",
    }
    with opened.records.writing() as connection:
        connection.execute(insert(count_vintage).values(values))
    return "v1"


@pytest.mark.long
def test_warming_draws_what_will_be_asked_first(opened, issue, monkeypatch):
    """All twenty pictures are there afterwards; of an issue without draws, region by region."""
    monkeypatch.setattr(figure_files, "_drawn", lambda *_: b"<svg/>")
    practice = opened.practice()
    draw_newest(practice.folder, practice.now, issue.file)
    pages = practice.outbox_folder / issue.id / "pages"
    assert len(list(pages.glob("*.svg"))) == 20


def test_nobody_waits_for_the_drawing_script(vet, monkeypatch):
    """While one makes it, others are told to come again, and keep their pictures."""
    monkeypatch.setattr(figure_pages, "_script_held", [])
    with figure_pages._making:
        answer = vet.get("/charts.js")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")


def test_of_many_who_ask_at_once_one_works_it_out():
    """Eight threads, one making; a key of another does not wait for it."""
    held, made, gate = issue_reading.Held(), [], threading.Event()

    def slow() -> str:
        gate.wait(10)
        made.append(1)
        return "slow"

    with ThreadPoolExecutor(8) as pool:
        answers = [pool.submit(held.value, "a", slow) for _ in range(8)]
        assert held.value("b", lambda: "quick") == "quick"
        gate.set()
        assert {answer.result() for answer in answers} == {"slow"}
    assert made == [1]


def test_what_was_asked_least_recently_is_let_go_first():
    """Of two places, the third value takes that of the one not asked since."""
    held = issue_reading.Held(most=2)
    for key in ("a", "b", "a", "c"):
        held.value(key, lambda key=key: key)
    assert held.value("a", lambda: "again") == "a"
    assert held.value("b", lambda: "again") == "again"


def test_what_fails_is_not_held():
    """The next who asks tries again."""
    held = issue_reading.Held()
    with pytest.raises(ValueError, match="no"):
        held.value("a", lambda: int("no"))
    assert held.value("a", lambda: 1) == 1


def test_what_is_told_beside_the_issue_stands_on_the_page_of_its_region(vet, issue, opened):
    """Weeks that have not all come in, and what hangs on what cover prevents; of that region."""
    assert "What hangs on how much cover prevents" not in vet.get("/regions/north").text
    decides = CoverDecides(0.25, ((0.3, 90.0), (0.5, 100.0), (0.7, 112.0)), (80.0, 82.0))
    sentence = "Northton: of the week of 27 February 2023 60% has come in, 4 flare visits so far."
    kept = BesideIssue({"north": (sentence,)}, {"north": decides})
    write_beside(opened.practice(), issue.id, kept)
    assert read_beside(opened.practice(), issue.id) == kept
    html = vet.get("/regions/north").text
    assert faults_of(html) == []
    told = text_of(html)
    assert sentence in told
    assert "30 % 90" in told
    assert "70 % 112" in told
    assert "25 % of the dogs were under cover" in told
    assert "80 to 82 flare visits in all" in told
    south = vet.get("/regions/south").text
    assert "Not all has come in" not in south
    assert "What hangs on how much cover prevents" not in south
    assert vet.get("/regions/north.json").json()["cover"]["covered_share"] == 0.25


def test_weeks_with_closures_ahead_are_named(opened, make_issued, vet):
    """Two of five days of the week of 13 March: 40 %; without closures nothing is said."""
    share = np.ones(26)
    share[1] = 0.6

    def closed(*args, **kwargs):
        return make_issued(*args, **kwargs).assign(open_share=(("region", "week"), share[None]))

    lay_out(opened, closed, {"north": {3: 12}}, kind="issued")
    told = text_of(vet.get("/regions/north").text)
    assert "these weeks: 13 Mar 2023 (40 %)." in told

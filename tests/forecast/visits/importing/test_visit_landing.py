"""Exports land: judged, placed, compared with the past; held or live, whole or not at all."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import func, select

from forecast.homes import DISTANT, Home
from forecast.practice import Practice, open_practice
from forecast.records import Records, RecordsError, cases, tables
from forecast.records.dogs import dog, dog_ids, dogs, owner_of
from forecast.records.erased import read_erased
from forecast.records.imports import imported_files
from forecast.records.visits import visits, visits_with_evidence
from forecast.visits import accept_import, import_visits, take_back
from forecast.visits.case_definition import shipped_text
from forecast.visits.exports.layout import LayoutError
from forecast.visits.importing import visit_landing
from forecast.visits.judging import put_in_force

SECOND_LAYOUT = """
day_order = "year month day"
[columns]
visit = "No"
date = "When"
patient = "Animal"
branch = "Where"
"""
Export = Callable[..., Path]
ITCHY = {"item": "CONS DERM", "note": "itchy since Monday, allergic flare, started tablets"}


def n_stored(records: Records, table) -> int:
    with records.reading() as connection:
        return connection.scalar(select(func.count()).select_from(table))


# ------------------------------------------------------------------------------ what comes in
def test_an_export_is_gathered_judged_and_kept_with_its_evidence(practice, records, exporting):
    """Two lines make one visit; its kind is the verdict of the definition in force."""
    path = exporting(
        ITCHY | {"entered": "2024-05-08"},
        {"item": "TABS", "code": "D12", "entered": "2024-05-08"},
        {"invoice": "R2", "patient": "P2", "day": "2024-05-07", "note": "vaccination, fine"},
    )
    report = import_visits(practice, records, path)
    assert (report.n_read, report.n_kept, report.n_left_out) == (3, 2, 0)
    assert report.sentence == "export.csv: 2 visits of 3 rows imported"
    held = visits_with_evidence(records).set_index("reference")
    seen = held.loc["R1/P1/2024"]
    assert (seen["kind"], seen["certainty"], seen["exclusion"]) == ("itch flare", "definite", "")
    assert "itch" in seen["evidence"]
    assert (seen["items"], seen["codes"]) == (("CONS DERM", "TABS"), ("D12",))
    assert seen["item_classes"] == ("daily oral Janus-kinase inhibitor", "skin consultation")
    assert (seen["vet"], seen["note"], seen["layout"]) == ("AB", ITCHY["note"], "front desk")
    assert (seen["unmapped"], seen["entered"]) == (0.0, pd.Timestamp("2024-05-08"))
    assert seen["first_import"] == pd.Timestamp(practice.now).tz_localize(None)
    other = held.loc["R2/P2/2024"]
    assert (other["kind"], other["certainty"]) == ("other", "none")
    assert pd.isna(other["entered"])


def test_dogs_come_with_random_ids_and_the_owner_their_number_names(practice, records, exporting):
    """Two dogs of one client are one household; a dog of the register keeps its owner."""
    path = exporting(
        {"patient": "P1"}, {"invoice": "R2", "patient": "P2"}, {"invoice": "R3", "patient": "D1"}
    )
    registered = owner_of(records, dog_ids(records)["D1"])
    import_visits(practice, records, path)
    ids = dog_ids(records)
    owners = {number: owner_of(records, ids[number]) for number in ("P1", "P2", "D1")}
    assert owners["P1"] == owners["P2"]
    assert (owners["P1"].reference, owners["P1"].name) == ("K1", None)
    assert owners["D1"] == registered
    assert len({ids["P1"], ids["P2"], ids["D1"]}) == 3


def with_postcodes(practice: Practice) -> Practice:
    text = practice.settings_text.replace('id = "north"', 'id = "north"\npostcodes = ["10"]')
    practice.settings_file.write_text(
        text.replace('id = "south"', 'id = "south"\npostcodes = ["2"]')
    )
    return open_practice(practice.folder, now=practice.now)


def test_homes_are_told_from_postcodes_from_the_visit_on_that_shows_them(
    practice, records, exporting
):
    """The dog moves from the north to the south and then far away; before, nothing is known."""
    moves = {
        "2023-02-01": "10115",
        "2023-05-01": "10999",
        "2023-08-01": "20095",
        "2024-02-01": "80331",
    }
    path = exporting(
        {"day": "2023-01-01"},
        *({"invoice": day, "day": day, "postcode": code} for day, code in moves.items()),
    )
    import_visits(with_postcodes(practice), records, path)
    rex = dog_ids(records)["P1"]
    days = ("2023-01-31", "2023-02-01", "2023-07-31", "2023-08-01", "2024-01-31", "2024-02-01")
    lived = [dog(records, rex, on=date.fromisoformat(day)).home for day in days]
    north, south = Home("region", "north"), Home("region", "south")
    assert lived == [Home("not known"), north, north, south, south, DISTANT]
    assert n_stored(records, tables.home) == 2 + 3, "two of the register; 10115 and 10999 are one"
    held = visits_with_evidence(records)
    assert "10115" not in held.to_csv(), "the postcode itself is not kept"


def test_the_same_file_again_changes_nothing_and_says_how_to_read_it_anew(
    practice, records, exporting
):
    """Taken back, it can come in again; nothing of the first time is left."""
    path = exporting(ITCHY, {"invoice": "R2", "patient": "P2"})
    before = {table.name: n_stored(records, table) for table in (tables.dog, tables.owner)}
    first = import_visits(practice, records, path)
    again = import_visits(practice, records, path)
    assert (again.already, again.import_id) == (True, first.import_id)
    assert f"`forepaw import again {first.import_id}` reads it anew" in again.sentence
    assert take_back(records, first.import_id) == 2
    for table in (tables.visit, tables.visit_case):
        assert n_stored(records, table) == 0
    assert {table.name: n_stored(records, table) for table in (tables.dog, tables.owner)} == before
    assert not import_visits(practice, records, path).already


def test_a_later_export_tells_a_visit_anew(practice, records, exporting):
    """The note was completed since: the newest import counts, the visit is one."""
    import_visits(practice, records, exporting({"note": ""}))
    import_visits(practice, records, exporting(ITCHY, file="later.csv"))
    held = visits(records)
    assert held[["reference", "kind"]].values.tolist() == [["R1/P1/2024", "itch flare"]]


def test_a_visit_that_two_systems_hold_counts_once(practice, records, exporting, write):
    """Another number and another layout, the same dog, day and branch."""
    (practice.layouts_folder / "second.toml").write_text(SECOND_LAYOUT)
    import_visits(practice, records, exporting(ITCHY))
    text = "No,When,Animal,Where\n77,2024-05-06,P1,n1\n78,2024-05-07,P1,n1\n79,2024-05-06,P1,n2\n"
    import_visits(practice, records, write("second.csv", text))
    held = visits(records)
    assert sorted(held["reference"]) == ["77/P1/2024", "78/P1/2024", "79/P1/2024"]


def test_a_file_that_no_layout_fits_is_refused_with_the_way_to_one(practice, records, write):
    """Nothing is left behind."""
    with pytest.raises(LayoutError, match=r"no layout fits x\.csv.*`forepaw import look FILE`"):
        import_visits(practice, records, write("x.csv", "Rechnung,Datum\n1,2024-05-06\n"))
    assert [f.subject for f in imported_files(records)] == ["branches", "dogs"]


def test_the_layout_can_be_named_where_several_fit(practice, records, exporting):
    """By the name of its file."""
    path = exporting(ITCHY)
    text = (practice.layouts_folder / "desk.toml").read_text()
    (practice.layouts_folder / "twin.toml").write_text(text.replace("front desk", "twin"))
    with pytest.raises(LayoutError, match="more than one layout"):
        import_visits(practice, records, path)
    import_visits(practice, records, path, layout="twin")
    assert visits_with_evidence(records)["layout"].tolist() == ["twin"]


def test_progress_is_told_from_nothing_to_all(practice, records, exporting):
    """It never goes back."""
    shares: list[float] = []
    path = exporting(*({"invoice": f"R{n}", "patient": f"P{n}"} for n in range(40)))
    import_visits(practice, records, path, progress=shares.append)
    assert shares == sorted(shares)
    assert 0 <= shares[0] < 0.5
    assert shares[-1] == 1.0


# ------------------------------------------------------------------------------ held
def lines_of(first: str, n_days: int, flares_a_week: int, start: int = 0) -> list[dict[str, str]]:
    """Return ten visits a week of different dogs, some of them of itch."""
    found = []
    for n in range(n_days // 7 * 10):
        day = pd.Timestamp(first) + pd.Timedelta(days=n // 10 * 7 + n % 5)
        line = {"invoice": f"R{start + n}", "patient": f"P{start + n}", "day": f"{day:%Y-%m-%d}"}
        found.append(line | (ITCHY if n % 10 < flares_a_week else {}))
    return found


@pytest.fixture
def with_past(practice, records, exporting) -> Export:
    """Give the writer of exports, of a practice with a year of two flares a week."""
    import_visits(practice, records, exporting(*lines_of("2023-01-02", 365, 2), file="past.csv"))
    return exporting


def test_an_import_unlike_the_past_is_held_and_nothing_sees_it(practice, records, with_past):
    """Six flares a week where two were usual: held with the reason, until a person answers."""
    path = with_past(*lines_of("2024-01-01", 140, 6, start=5000))
    before, known = len(visits(records)), len(dogs(records, on=practice.today))
    report = import_visits(practice, records, path)
    (reason,) = report.held_because
    assert reason.startswith("flares are 60.0% of the visits of this file, 20.")
    number = report.import_id
    assert f"held as import {number}" in report.sentence
    assert f"`forepaw import accept {number}`" in report.sentence
    assert len(visits(records)) == before
    again = import_visits(practice, records, path)
    assert again.already
    assert "held until you answer" in again.sentence
    accept_import(practice, records, number)
    assert len(visits(records)) == before + 200
    assert len(dogs(records, on=practice.today)) == known + 200
    with pytest.raises(RecordsError, match="it is live"):
        accept_import(practice, records, number)


def test_a_held_import_that_is_taken_back_leaves_nothing(practice, records, with_past):
    """Neither visits nor homes, dogs or verdicts."""
    places = (tables.visit, tables.visit_case, tables.home, tables.dog, tables.dog_identity)
    before = [n_stored(records, table) for table in places]
    path = with_past(*lines_of("2024-01-01", 140, 6, start=5000))
    report = import_visits(practice, records, path)
    assert report.held_because
    take_back(records, report.import_id)
    assert [n_stored(records, table) for table in places] == before


def test_an_import_like_the_past_goes_live_and_a_new_branch_is_said(practice, records, with_past):
    """Branches that open are no reason to hold."""
    lines = lines_of("2024-01-01", 140, 2, start=5000)
    report = import_visits(practice, records, with_past(*lines, {"site": "s1", "invoice": "Z"}))
    assert report.held_because == ()
    said = [f.found for f in report.findings if f.check == "beside the past"]
    assert said == ["branch s1 is seen for the first time, from 2024-05-06 on"]


# ------------------------------------------------------------------------------ definitions
def other_definition() -> str:
    """Return a definition by which nothing is a flare for sure, or likely."""
    text = shipped_text().replace('value = "shipped 1"', 'value = "ours"')
    never = '{ value = ["itch + not itch"], unit = "1", source = "a test", status = "assumed" }'
    for name in ("definite", "probable"):
        text = re.sub(f"^{name} = .*$", f"{name} = {never}", text, flags=re.MULTILINE)
    return text


def test_a_definition_that_changes_while_a_file_comes_in_judges_it_too(
    practice, records, exporting, monkeypatch
):
    """The flip waits for verdicts of the definition in force, whichever it is then."""
    import_visits(
        practice, records, exporting({"invoice": "R0", "patient": "P9"}, file="first.csv")
    )
    add_visits = visit_landing.add_visits

    def meanwhile(*args, **options):
        add_visits(*args, **options)
        put_in_force(practice, records, other_definition())

    monkeypatch.setattr(visit_landing, "add_visits", meanwhile)
    import_visits(practice, records, exporting(ITCHY))
    in_force = cases.definition_in_force(records)
    assert in_force.version.startswith("ours")
    assert len(visits(records)) == 2
    query = select(tables.visit_case.c.definition_id, func.count()).group_by(
        tables.visit_case.c.definition_id
    )
    with records.reading() as connection:
        assert sorted(n for _, n in connection.execute(query)) == [2, 2]


def test_a_held_import_is_judged_by_the_definition_in_force_when_accepted(
    practice, records, with_past
):
    """It was changed since, and finds no flare in itch with an allergy: no visit is one now."""
    path = with_past(*lines_of("2024-01-01", 140, 6, start=5000))
    report = import_visits(practice, records, path)
    put_in_force(practice, records, other_definition())
    accept_import(practice, records, report.import_id)
    held = visits_with_evidence(records)
    assert (held["date"] >= pd.Timestamp("2024-01-01")).sum() == 200
    assert set(held["kind"]) == {"other"}


# ------------------------------------------------------------------------------ erased owners
def test_who_was_erased_does_not_come_back_with_an_old_export(practice, records, exporting):
    """The visits count under the same random id; number, note and raw row stay away."""
    erased = read_erased(practice)
    with records.writing() as connection:
        connection.execute(tables.dog.insert().values(id="0123456789abcdef"))
    erased.add("e1", practice.now, owners=["K1"], dogs={"P1": "0123456789abcdef"})
    path = exporting(
        ITCHY,
        {"invoice": "R2", "patient": "P2"},
        {"invoice": "R3", "patient": "P3", "client": "K3", "name": "Mo", "owner": "Bo"},
    )
    report = import_visits(practice, records, path)
    assert report.n_kept == 3
    held = visits_with_evidence(records)
    assert {"P1", "P2"}.isdisjoint(dog_ids(records))
    theirs = held[held["dog"] == "0123456789abcdef"]
    assert theirs["kind"].tolist() == ["itch flare"], "judged before the note was dropped"
    assert theirs["note"].isna().all()
    assert theirs["reference"].str.startswith("erased ").all()
    sibling = read_erased(practice).dog_id("P2")
    assert sibling in set(held["dog"])
    sha256 = imported_files(records)[-1].sha256
    raw = practice.archive_folder / f"{sha256}.csv.gz"
    kept = gzip.decompress(raw.read_bytes()).decode()
    assert kept.splitlines()[1:] == ["R3;2024-05-06;;n1;P3;Mo;K3;Bo;AB;CONS;;;"]
    later = replace(practice, now=practice.now + timedelta(days=1))
    lines = (ITCHY, {"invoice": "R9", "day": "2024-05-07"})
    import_visits(later, records, exporting(*lines, file="later.csv"))
    again = visits(records)
    assert (again["dog"] == "0123456789abcdef").sum() == 2, "the old visit is the same one again"

"""Importing: all at once or not at all, once only, archived, and without names in logs."""

from __future__ import annotations

import csv
import gzip
import hashlib
import logging
import time
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import func, select

from forecast.csv_files import SheetError
from forecast.homes import NOT_KNOWN, Home
from forecast.records import tables
from forecast.records import visits as visit_records
from forecast.records.branches import branches, closures
from forecast.records.care import facts_of, scores_of, therapies_of
from forecast.records.dated import consents_on, owner_statuses_on
from forecast.records.dogs import dog, dog_ids, identity_of, owner_of
from forecast.records.imports import imported_files
from forecast.records.visits import visits
from forecast.visits import (
    import_branches,
    import_closures,
    import_dogs,
    import_facts,
    import_scores,
    import_therapies,
    import_visits,
    take_back,
)
from forecast.visits.importing import landing, visit_landing

HEADER = "visit,date,branch,dog,kind\n"
VISITS = HEADER + "V1,2024-05-30,n1,D1,itch flare\nV2,2024-05-31,s1,,other\n"


def many_visits(n_rows: int) -> str:
    return HEADER + "".join(f"V{n},2024-05-30,n1,D{n % 7},other\n" for n in range(n_rows))


def n_stored(records, table) -> int:
    with records.reading() as connection:
        return connection.scalar(select(func.count()).select_from(table))


def test_visits_are_imported_and_reported(practice, records, write):
    """The report says how many of how many."""
    report = import_visits(practice, records, write("visits.csv", VISITS))
    assert (report.n_read, report.n_kept, report.already) == (2, 2, False)
    assert report.sentence == "visits.csv: 2 visits of 2 rows imported"
    held = visits(records)
    assert held["reference"].tolist() == ["V1", "V2"]
    assert held["dog"].tolist() == [dog_ids(records)["D1"], None]


def test_the_same_file_again_changes_nothing_whatever_its_name(practice, records, write):
    """It is known by its content."""
    first = import_visits(practice, records, write("visits.csv", VISITS))
    second = import_visits(practice, records, write("copy of visits.csv", VISITS))
    assert second.already
    assert second.import_id == first.import_id
    assert "was imported before" in second.sentence
    assert n_stored(records, tables.visit) == 2


def test_the_raw_file_is_archived_under_its_hash(practice, records, write):
    """Whatever the checks left out is still there, as it came."""
    content = (VISITS + "V3,never,n1,D1,other\n").encode()
    import_visits(practice, records, write("visits.csv", content))
    path = practice.archive_folder / f"{hashlib.sha256(content).hexdigest()}.csv.gz"
    assert gzip.decompress(path.read_bytes()) == content
    assert path.stat().st_mode & 0o077 == 0


def test_bad_rows_are_left_out_and_listed_in_a_file(practice, records, write):
    """The rest is imported; the list names row, column and value."""
    text = VISITS + "V3,2024-05-32,n1,D1,other\n"
    report = import_visits(practice, records, write("visits.csv", text))
    assert (report.n_read, report.n_kept) == (3, 2)
    assert str(report.findings_file) in report.sentence
    with report.findings_file.open(encoding="utf-8-sig") as opened:
        (row,) = csv.DictReader(opened)
    assert (row["row"], row["column"], row["found"]) == ("4", "date", "'2024-05-32'")
    assert report.findings_file.parent == practice.archive_folder


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("visit,date,branch,dog\nV1,2024-05-30,n1,D1\n", "no column 'kind'"),
        (HEADER + "V1,soon,n1,D1,other\n", "none of its 1 rows"),
        ("", "empty"),
    ],
)
def test_a_file_that_is_refused_imports_nothing(practice, records, write, text, words):
    """Neither rows nor an import are left behind."""
    before = imported_files(records)
    with pytest.raises(SheetError, match=words):
        import_visits(practice, records, write("visits.csv", text))
    assert visits(records).empty
    assert imported_files(records) == before


def test_a_failure_midway_leaves_nothing_and_the_file_can_come_again(
    practice, records, write, monkeypatch
):
    """The third batch fails: no visit and no new dog is left, and the next try brings all."""
    path = write("visits.csv", many_visits(12_000))
    dogs_before = set(dog_ids(records))
    insert_rows, calls = visit_records.insert_rows, []

    def fail_third(*args, **options):
        calls.append(1)
        if len(calls) == 3:
            raise OSError("disk full")
        insert_rows(*args, **options)

    with monkeypatch.context() as patched:
        patched.setattr(visit_records, "insert_rows", fail_third)
        with pytest.raises(OSError, match="disk full"):
            import_visits(practice, records, path)
    assert n_stored(records, tables.visit) == 0
    assert set(dog_ids(records)) == dogs_before
    report = import_visits(practice, records, path)
    assert (report.already, report.n_kept) == (False, 12_000)
    assert len(visits(records)) == 12_000


def test_a_killed_import_is_never_seen_and_swept_later(practice, records, write, monkeypatch):
    """A process that dies before the flip cannot tidy up: its rows stay unseen until swept."""
    path = write("visits.csv", many_visits(100))

    class Killed(BaseException):
        pass

    def die(*_args: object) -> bool:
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(visit_landing, "_flip", die)
        patched.setattr(landing, "take_back", die)
        with pytest.raises(Killed):
            import_visits(practice, records, path)
    assert n_stored(records, tables.visit) == 100
    assert visits(records).empty
    later = replace(practice, now=practice.now + pd.Timedelta(days=2).to_pytimedelta())
    report = import_visits(later, records, path)
    assert not report.already
    assert len(visits(records)) == n_stored(records, tables.visit) == 100


def test_a_second_desk_that_was_faster_wins(practice, records, write, monkeypatch):
    """Two imports of one file at once: the slower one finds it live and takes its rows back."""
    path = write("visits.csv", VISITS)
    flip, done = visit_landing._flip, []

    def overtaken(*args):
        if not done:
            done.append(1)
            import_visits(practice, records, path)
        return flip(*args)

    monkeypatch.setattr(visit_landing, "_flip", overtaken)
    report = import_visits(practice, records, path)
    assert report.already
    assert n_stored(records, tables.visit) == 2
    states = [f.state for f in imported_files(records) if f.subject == "visits"]
    assert sorted(states) == ["live", "undone"]


def test_a_dog_that_nobody_registered_is_a_dog_of_which_nothing_is_known(practice, records, write):
    """Its visits count, and registering it later keeps its id."""
    text = HEADER + "V1,2024-05-30,n1,D77,itch flare\n"
    import_visits(practice, records, write("visits.csv", text))
    stranger = dog_ids(records)["D77"]
    found = dog(records, stranger, on=practice.today)
    assert (found.species, found.status) == (None, "not known")
    import_dogs(practice, records, write("more.csv", "dog,species,name\nD77,Dog,Nan\n"))
    assert dog_ids(records)["D77"] == stranger
    assert dog(records, stranger, on=practice.today).species == "dog"
    assert identity_of(records, stranger).name == "Nan"


# ------------------------------------------------------------------------------ the registers
def test_dogs_and_owners_come_with_what_is_known(practice, records):
    """Sex and neutering are told apart; two dogs of one owner share the owner."""
    ids = dog_ids(records)
    rex, mo, pip = (dog(records, ids[n], on=practice.today) for n in ("D1", "D2", "D3"))
    assert (rex.sex, rex.neutered, rex.home) == ("male", True, Home("region", "north"))
    assert (mo.sex, mo.neutered, mo.birth_date) == ("female", None, None)
    assert (pip.sex, pip.home, pip.branch_id) == (None, NOT_KNOWN, "n2")
    assert rex.owner_id == mo.owner_id != pip.owner_id
    assert owner_of(records, rex.id).name == "Ada Quillfeather"


def test_a_later_register_corrects_and_an_empty_cell_takes_nothing_away(practice, records, write):
    """The export of another day may lack a column or a cell."""
    text = "dog,status,birth_date,sex\nD1,dead,,\nD2,,2020-05-05,female neutered\n"
    import_dogs(practice, records, write("later.csv", text))
    ids = dog_ids(records)
    rex, mo = (dog(records, ids[number], on=practice.today) for number in ("D1", "D2"))
    assert (rex.status, str(rex.birth_date), rex.sex) == ("dead", "2019-02-03", "male")
    assert (mo.status, str(mo.birth_date), mo.neutered) == ("active", "2020-05-05", True)
    assert identity_of(records, rex.id).name == "Rex"


def test_an_older_register_can_be_put_back(practice, records, write):
    """Only the very file that came last is a repetition."""
    first = "id,name,region,open_days\nn1,Old Name,north,mon\n"
    second = "id,name,region,open_days\nn1,New Name,north,mon\n"
    for text, already, name in (
        (first, False, "Old Name"),
        (first, True, "Old Name"),
        (second, False, "New Name"),
        (first, False, "Old Name"),
    ):
        report = import_branches(practice, records, write("branches.csv", text))
        assert report.already is already
        assert branches(records)["n1"].name == name


def test_two_owners_of_one_name_are_two_if_number_or_contact_tells_them_apart(
    practice, records, write
):
    """A shared name is no shared dog."""
    text = (
        "dog,owner,owner_number,owner_contact\n"
        "D1,Ada,7,\nD2,Ada,8,\nD4,Cy,,a@forepaw.invalid\nD5,Cy,,b@forepaw.invalid\n"
    )
    import_dogs(practice, records, write("dogs.csv", text))
    ids = dog_ids(records)
    owners = {
        number: dog(records, ids[number], on=practice.today).owner_id
        for number in ("D1", "D2", "D4", "D5")
    }
    assert len(set(owners.values())) == 4


def test_the_language_of_an_owner_comes_with_the_dogs_and_no_empty_cell_takes_it_away(
    practice, records, write
):
    """Two letters, in capitals or not; what is none is told with what to write."""
    first = "dog,owner_number,owner_language\nD1,7,de\nD2,8,FR\nD4,9,german\nD5,10,xx\n"
    report = import_dogs(practice, records, write("dogs.csv", first))
    told = [(one.row, one.column, one.found, one.allowed, one.fix) for one in report.findings]
    allowed = "two letters of ISO 639-1, such as de"
    assert told == [
        (4, "owner_language", "'german'", allowed, "write 'de'"),
        (5, "owner_language", "'xx'", allowed, ""),
    ]
    again = "dog,owner_number,owner_language\nD1,7,\nD2,8,it\n"
    import_dogs(practice, records, write("dogs.csv", again))
    ids = dog_ids(records)
    assert [owner_of(records, ids[number]).language for number in ("D1", "D2")] == ["de", "it"]


# ------------------------------------------------------------------------------ care
def test_therapies_scores_and_facts_reach_their_dog(practice, records, write):
    """By the random id, with what is not known left open."""
    import_therapies(
        practice,
        records,
        write(
            "t.csv",
            "dog,therapy,date,status,responded\nD1,anti_il31_antibody,2024-05-01,given,yes\n",
        ),
    )
    import_scores(
        practice, records, write("s.csv", "dog,date,pvas,scorer\nD1,2024-05-02,4.5,owner\n")
    )
    import_facts(
        practice,
        records,
        write(
            "f.csv",
            "dog,kind,value,date\nD1,weight_kg,9.5,2024-05-02\nD1,neoplasia,no,2024-05-02\n",
        ),
    )
    rex = dog_ids(records)["D1"]
    (event,) = therapies_of(records, rex)
    assert (event.status, event.reason, event.until, event.responded) == (
        "given",
        "not known",
        None,
        True,
    )
    assert [s.pvas for s in scores_of(records, rex)] == [4.5]
    found = facts_of(records, rex)
    assert (found["weight_kg"].number, found["weight_kg"].word) == (9.5, None)
    assert (found["neoplasia"].number, found["neoplasia"].word) == (None, "no")
    assert set(found) == {"weight_kg", "neoplasia"}


def test_closures_and_full_days_come_in_and_the_newest_word_counts(practice, records, write):
    """A day may be ahead; the same day in a later file is one day."""
    head = "branch,date,reason,full\n"
    first = write("c.csv", head + "n1,2024-12-24,holiday,no\nn1,2024-05-06,,yes\n")
    report = import_closures(practice, records, first)
    assert report.sentence == "c.csv: 2 closures of 2 rows imported"
    import_closures(practice, records, write("d.csv", head + "n1,2024-12-24,stock-taking,no\n"))
    found = closures(records).sort_values("date")
    assert found["reason"].tolist() == ["", "stock-taking"]
    assert found["full"].tolist() == [True, False]
    take_back(records, report.import_id)
    assert closures(records)["reason"].tolist() == ["stock-taking"]


def test_a_register_brings_dated_homes_statuses_and_consent(practice, records, write):
    """With days of its own, and without."""
    text = (
        "dog,owner_number,owner_status,consent,status,status_from,region,home_from\n"
        "D1,7,moved,no,died,2024-03-01,south,2024-02-01\nD2,7,,,,,,\n"
    )
    report = import_dogs(practice, records, write("later.csv", text))
    assert [f.check for f in report.findings] == ["another word"]
    rex, mo = (dog_ids(records)[number] for number in ("D1", "D2"))
    days = (date(2024, 1, 31), date(2024, 2, 1), date(2024, 3, 1))
    held = [dog(records, rex, on=day) for day in days]
    assert [one.home.region for one in held] == ["north", "south", "south"]
    assert [one.status for one in held] == ["active", "active", "dead"]
    assert dog(records, mo, on=practice.today).status == "active"
    owner = owner_of(records, rex)
    assert owner == owner_of(records, mo)
    with records.reading() as connection:
        assert owner_statuses_on(connection, practice.today) == {owner.id: "moved"}
        assert consents_on(connection, practice.today) == {owner.id: "no"}


# ------------------------------------------------------------------------------ privacy
def test_no_name_reaches_the_archive_or_a_log(practice, empty_records, write, caplog):
    """The register of dogs holds names, so it is neither archived nor quoted."""
    caplog.set_level(logging.DEBUG)
    import_branches(
        practice,
        empty_records,
        write("branches.csv", "id,name,region,open_days\nn1,North,north,mon\n"),
    )
    text = (
        "dog,name,owner,owner_contact,sex\n"
        "D1,Rex Thunderpaw,Ada Quillfeather,ada@forepaw.invalid,male\n"
        "D2,male,Rex Thunderpaw,ada@forepaw.invalid,Ada Quillfeather\n"  # shifted cells
    )
    report = import_dogs(practice, empty_records, write("dogs.csv", text))
    assert (report.n_kept, len(report.findings)) == (1, 1)
    kept = b"".join(
        gzip.decompress(p.read_bytes()) if p.suffix == ".gz" else p.read_bytes()
        for p in practice.archive_folder.iterdir()
    )
    assert b"unknown word" in kept, "the finding itself is kept"
    assert "kept of" in caplog.text, "something was logged"
    for name in ("Thunderpaw", "Quillfeather", "ada@"):
        assert name.encode() not in kept
        assert name not in caplog.text


@pytest.mark.long
def test_150_000_visits_are_imported_in_less_than_ten_seconds_of_work(practice, records, write):
    """Our own time is measured, so that a busy machine does not decide the outcome."""
    n = 150_000
    rng = np.random.default_rng(1)
    day = np.datetime64("2016-01-04") + rng.integers(0, 2500, n)
    dogs = np.array([f"D{number}" for number in range(5000)])[rng.integers(0, 5000, n)]
    frame = pd.DataFrame(
        {
            "visit": np.arange(n),
            "date": day.astype(str),
            "branch": np.array(["n1", "n2", "s1"])[rng.integers(0, 3, n)],
            "dog": np.where(rng.random(n) < 0.7, dogs, ""),
            "kind": "other",
        }
    )
    path = write("visits.csv", frame.to_csv(index=False))
    started = time.process_time()
    report = import_visits(practice, records, path)
    assert time.process_time() - started < 10.0
    assert report.n_kept == n

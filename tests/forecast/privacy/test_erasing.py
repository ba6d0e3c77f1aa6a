"""Erased means gone: from every table, every raw file, every byte of the folder, and for good."""

from __future__ import annotations

import gzip
import json
import shutil
from dataclasses import replace
from datetime import date, timedelta

import pandas as pd
import pytest
from sqlalchemy import insert, select, text

from forecast.practice import Practice
from forecast.privacy import erase_owner, held_on_owner, replay_erasures
from forecast.privacy import erasing as erasing_module
from forecast.records import Records, RecordsError, open_records, tables
from forecast.records.care import reactions
from forecast.records.dogs import dog_ids, dogs, identity_of
from forecast.records.entries import enter, take_back, taken_back_of
from forecast.records.erased import ERASED_FILE, read_erased
from forecast.records.imports import imported_files
from forecast.records.vets import assign, keep_vets, vets_on
from forecast.records.vets_words import REASON_GONE, vets_words
from forecast.records.visits import visits
from forecast.sheets import read_sheet
from forecast.visits import counts_as_known, import_dogs, import_scores, import_visits, make_vintage
from forecast.visits.labelling.sheet import sheet_workbook

NAMES = ("Quillfeather", "Thunderpaw", "ada@forepaw.invalid")
RULES: dict = {}
SIGNED = date(2024, 5, 20)


def every_cell(records: Records) -> str:
    with records.reading() as connection:
        return " ".join(
            str(cell)
            for table in tables.metadata.sorted_tables
            for row in connection.execute(select(table))
            for cell in row
        )


def named_in(practice: Practice) -> dict[str, list[str]]:
    """Return the files that hold one of the names, packed ones unpacked."""
    found = {}
    for path in practice.folder.rglob("*"):
        if not path.is_file():
            continue
        content = path.read_bytes()
        content += gzip.decompress(content) if path.suffix == ".gz" else b""
        held = [name for name in NAMES if name.encode() in content]
        if held:
            found[path.name] = held
    return found


def counts(practice: Practice, records: Records):
    made = make_vintage(practice, records, cover_rules=RULES)
    return counts_as_known(records, practice.today, made).drop_attrs()


@pytest.fixture
def without_care(records) -> Records:
    """Give the records without therapies, of which counting would ask the rules."""
    with records.writing() as connection:
        connection.execute(tables.therapy_event.delete())
    return records


def test_before_the_erasure_the_names_are_there(practice, records):
    """Else their absence afterwards would say nothing."""
    held = every_cell(records)
    assert all(name in held for name in NAMES)
    if practice.settings.records is None:
        assert set(named_in(practice)) & {"records.sqlite", "records.sqlite-wal"}
    assert [name for name in named_in(practice) if name.endswith(".csv.gz")]


def test_nothing_names_them_any_more(practice, records):
    """No cell, no raw row, no finding, no byte of any file of the folder."""
    assert "R4" in every_cell(records) or list(practice.archive_folder.glob("findings-*.csv"))
    done = erase_owner(practice, records, "K1")
    assert (done.n_dogs, done.unreadable, done.still_named) == (2, {}, [])
    held = every_cell(records)
    for gone in (*NAMES, "K1", "P1", "P2", "itchy, says"):
        assert gone not in held, gone
    assert named_in(practice) == {}
    for path in practice.archive_folder.glob("findings-*.csv"):
        assert "2024-02-30" not in path.read_text(encoding="utf-8-sig")


def test_of_others_nothing_is_lost(practice, records, files):
    """Bo's rows, names and notes are as they were; raw files hold his rows byte for byte."""
    erase_owner(practice, records, "K1")
    ids = dog_ids(records)
    assert set(ids) == {"P3"}
    assert identity_of(records, ids["P3"]).name == "Pip"
    kept = [
        gzip.decompress(path.read_bytes()).decode()
        for path in practice.archive_folder.glob("*.csv.gz")
    ]
    lines = files["visits"].splitlines(keepends=True)
    assert lines[0] + lines[3] in kept
    for kind in ("scores", "reactions"):
        rows = files[kind].splitlines(keepends=True)
        assert rows[0] + rows[2] in kept
    assert reactions(records).set_index("dog").loc[ids["P3"], "sign"] == "hives"


def test_counts_plans_and_audit_stay(practice, without_care):
    """Counting anew gives the same; the audit says when and how many dogs, not whose."""
    records = without_care
    before, seen = counts(practice, records), visits(records)
    erase_owner(practice, records, "K1")
    assert counts(practice, records).identical(before)
    after = visits(records)
    assert after[["date", "dog", "kind"]].equals(seen[["date", "dog", "kind"]])
    assert len(dogs(records, on=practice.today)) == 3
    with records.reading() as connection:
        (audit,) = connection.execute(select(tables.erasure)).all()
    assert (audit.at, audit.dogs) == (practice.now, 2)


def test_an_old_export_does_not_bring_them_back(practice, without_care, outside, files):
    """Taken back and imported anew: the same counts, and still nobody is named."""
    records = without_care
    before = counts(practice, records)
    erase_owner(practice, records, "K1")
    path = outside / "again.csv"
    path.write_text(files["visits"].replace("vaccination", "vaccinated"), encoding="utf-8")
    later = replace(practice, now=practice.now + timedelta(hours=1))
    import_visits(later, records, path)
    assert counts(practice, records).identical(before)
    import_dogs(later, records, outside / "dogs.csv")
    import_scores(later, records, outside / "scores.csv")
    held = every_cell(records)
    for gone in (*NAMES, "K1", "P1", "P2"):
        assert gone not in held, gone
    assert named_in(practice) == {}
    for found in practice.archive_folder.glob("findings-*.csv"):
        assert "2024-02-30" not in found.read_text(encoding="utf-8-sig"), "the bad row was theirs"


@pytest.mark.parametrize("database", ["sqlite"], indirect=True)
def test_records_from_a_back_up_are_erased_again(practice, records, tmp_path):
    """The list of the erased is older than nothing: it is no part of the database."""
    records.close()
    shutil.copy(practice.records_file, tmp_path / "back-up")
    raw = {path: path.read_bytes() for path in practice.archive_folder.iterdir() if path.is_file()}
    records = open_records(practice)
    erase_owner(practice, records, "K1")
    assert replay_erasures(practice, records).n_erasures == 0, "the records know of it"
    records.close()
    for file in practice.folder.glob("records.sqlite*"):
        file.unlink()
    shutil.copy(tmp_path / "back-up", practice.records_file)
    for path, content in raw.items():
        path.write_bytes(content)
    restored = open_records(practice)
    assert "Quillfeather" in every_cell(restored)
    assert replay_erasures(practice, restored).n_erasures == 1
    assert named_in(practice) == {}
    assert replay_erasures(practice, restored).n_erasures == 0
    restored.close()


def test_an_erasure_that_was_killed_is_completed_by_the_next_start(practice, records, monkeypatch):
    """The list comes first, so what follows can be done again."""

    def die(*_args, **_options):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(erasing_module.persons, "erase_person", die)
        with pytest.raises(KeyboardInterrupt):
            erase_owner(practice, records, "K1")
    assert "Quillfeather" in every_cell(records)
    assert replay_erasures(practice, records).n_erasures == 1
    assert "Quillfeather" not in every_cell(records)
    assert named_in(practice) == {}


def test_a_raw_file_that_nobody_can_read_is_said_and_deleted_if_asked(practice, records):
    """Without its layout, whose rows they are cannot be told."""
    (practice.layouts_folder / "desk.toml").unlink()
    done = erase_owner(practice, records, "K1")
    ((path, why),) = done.unreadable.items()
    assert "no layout fits it any more" in why
    assert path in done.still_named
    assert path.exists()


def test_unreadable_raw_files_go_whole_if_asked(practice, records):
    """Nothing names them then, and others' rows of that file are gone too."""
    (practice.layouts_folder / "desk.toml").unlink()
    done = erase_owner(practice, records, "K1", delete_unreadable=True)
    assert done.deleted
    assert not [path for path in done.unreadable if path.exists()]
    assert named_in(practice) == {}


def test_papers_of_ours_are_rewritten_and_others_are_said(practice, records):
    """Plans and samples by us; a letter of the practice's own is left to it."""
    reference = visits(records)["reference"].iloc[0]
    samples = practice.archive_folder / "samples"
    samples.mkdir()
    (samples / "s.csv").write_text(f"sample,number,reference\ns,1,{reference}\ns,2,other\n")
    plans = practice.outbox_folder / "plans.csv"
    plans.write_text("dog,proposal\nP1,start\nP3,start\n")
    sheet = practice.outbox_folder / "s.csv"
    sheet.write_text("sample,number,note,flare\ns,1,itchy at night,yes\ns,2,fine,no\n")
    practice.letters_folder.mkdir()
    waiting = practice.letters_folder / "recall.csv"
    waiting.write_text("dog,name,owner\nP1,Rex Thunderpaw,Ada Quillfeather\n")
    letter = practice.outbox_folder / "letter.txt"
    letter.write_text("Dear Ada Quillfeather")
    done = erase_owner(practice, records, "K1")
    assert {path.name for path in done.rewritten} == {"s.csv", "plans.csv"}
    assert plans.read_text(encoding="utf-8-sig") == "dog,proposal\nerased,start\nP3,start\n"
    assert "itchy" not in sheet.read_text(encoding="utf-8-sig")
    assert ",yes" in sheet.read_text(encoding="utf-8-sig")
    assert reference not in (samples / "s.csv").read_text()
    assert set(visits(records)["reference"]) & {
        line.split(",")[2] for line in (samples / "s.csv").read_text().splitlines()
    }
    assert not waiting.exists()
    assert done.still_named == [letter]


def test_workbooks_that_a_vet_filled_in_lose_their_notes_and_keep_the_answers(practice, records):
    """Whatever the copy is called; a copy that was saved with semicolons is found as well."""
    reference = visits(records)["reference"].iloc[0]
    samples = practice.archive_folder / "samples"
    samples.mkdir()
    (samples / "s.csv").write_text(f"sample,number,reference\ns,1,{reference}\ns,2,other\n")
    rows = pd.DataFrame(
        [["s", "1", "itchy, says Ada", "yes"], ["s", "2", "fine", "no"]],
        columns=["sample", "number", "note", "flare"],
    )
    book = practice.outbox_folder / "s filled by AB.xlsx"
    book.write_bytes(sheet_workbook(rows))
    copy = practice.outbox_folder / "s filled by CD.csv"
    copy.write_bytes("sample;number;note;flare\ns;1;Juckreiz, müde;yes\n".encode("cp1252"))
    odd = practice.outbox_folder / "broken.xlsx"
    odd.write_bytes(b"PK\x03\x04 cut off")
    done = erase_owner(practice, records, "K1")
    assert {path for path in done.rewritten} >= {book, copy}
    left = read_sheet(book.read_bytes(), book.name).rows.astype(str)
    left = left[["number", "note", "flare"]]
    assert left.values.tolist() == [
        ["1", "", "yes"],
        ["2", "fine", "no"],
    ]
    assert "Juckreiz" not in copy.read_text(encoding="utf-8-sig")
    assert ",yes" in copy.read_text(encoding="utf-8-sig")
    assert any("broken.xlsx may hold notes" in remark for remark in done.remarks)


def test_a_file_that_was_called_by_the_name_loses_it_in_the_list_of_imports(
    practice, records, outside, files
):
    """Everything else on that import stays."""
    path = outside / "for ada quillfeather.csv"
    path.write_text(files["scores"] + "P3,2024-05-03,2,owner\n")
    number = import_scores(practice, records, path).import_id
    erase_owner(practice, records, "K1")
    held = {file.id: file.file_name for file in imported_files(records)}
    assert held[number] == "(a name, erased)"
    assert list(held.values()).count("(a name, erased)") == 1


@pytest.mark.parametrize("database", ["sqlite"], indirect=True)
def test_a_name_in_somebody_elses_row_is_said(practice, records):
    """The owner is also a vet of the practice: other owners' visits are not touched."""
    with records.writing() as connection:
        connection.execute(
            text("UPDATE visit SET vet = 'Ada Quillfeather' WHERE note = 'vaccination'")
        )
    done = erase_owner(practice, records, "K1")
    (remark,) = [remark for remark in done.remarks if "records" in remark]
    assert "as a vet's name" in remark
    assert done.still_named == []


def test_a_layout_that_names_their_number_is_said_with_its_line(practice, records):
    """It is edited by hand, and so left to a hand."""
    done = erase_owner(practice, records, "K1")
    assert done.remarks == [
        "layouts/desk.toml line 15 names a patient number that was erased; take the line out"
    ]
    assert read_erased(practice).dog_id("P-given-up") == read_erased(practice).dog_id("P1")


def test_somebody_who_is_not_on_record_is_refused_with_the_nearest_number(practice, records):
    """Nothing is written."""
    asked = "'K11' was asked for, who is not on record; did you mean 'K1'"
    with pytest.raises(RecordsError, match=asked):
        erase_owner(practice, records, "K11")
    assert not (practice.folder / ERASED_FILE).exists()


def test_the_list_of_the_erased_holds_no_number_and_is_private(practice, records):
    """Hashes with a key of their own: two practices do not share them."""
    erase_owner(practice, records, "K1")
    file = practice.folder / ERASED_FILE
    content = file.read_text()
    assert not any(word in content for word in (*NAMES, "K1", "P1", "P2"))
    assert file.stat().st_mode & 0o077 == 0
    erased = read_erased(practice)
    assert erased.holds_owner("K1")
    assert not erased.holds_owner("K3")
    assert erased.dog_id("P3") is None


def test_a_list_that_cannot_be_read_stops_imports(practice, records, outside, files):
    """Else an old export would bring back whom it cannot tell."""
    erase_owner(practice, records, "K1")
    (practice.folder / ERASED_FILE).write_text("nonsense\n")
    path = outside / "more.csv"
    path.write_text(files["visits"].replace("R1", "R9"))
    with pytest.raises(RecordsError, match=r"erased\.jsonl line 1 cannot be read"):
        import_visits(practice, records, path)
    assert len(visits(records)) == 4


@pytest.mark.parametrize("database", ["sqlite"], indirect=True)
def test_somebody_who_reads_holds_the_erasing_up_in_a_sentence(practice, records, monkeypatch):
    """The names are gone from the tables; the log of changes still has them, and it is said."""
    monkeypatch.setattr("forecast.records.engine.BUSY_TIMEOUT_SECONDS", 0.1)
    reader = Records(practice.records_url)
    with reader.reading() as connection:
        connection.execute(text("SELECT count(*) FROM owner")).all()
        with pytest.raises(RecordsError, match="still holds what was deleted, as another process"):
            erase_owner(practice, records, "K1")
    reader.close()
    assert "Quillfeather" not in every_cell(records)


def test_a_dog_of_theirs_that_is_first_seen_later_is_nobodys_dog(practice, records, outside, files):
    """A sibling in an export of the past is theirs too, though no record knew it."""
    erase_owner(practice, records, "K1")
    path = outside / "older.csv"
    head = files["visits"].splitlines()[0]
    row = "R8;2020-05-06;n1;P8;Old Thunderpaw;K1;Ada Quillfeather;CONS;itchy at night"
    path.write_text(f"{head}\n{row}\n", encoding="utf-8")
    import_visits(practice, records, path)
    held = every_cell(records)
    assert not any(word in held for word in (*NAMES, "P8", "K1", "at night"))
    assert named_in(practice) == {}


def test_what_was_taken_back_at_a_desk_stays_without_its_words(practice, records):
    """Words and the reason go with the owner; of another owner's dog they stay."""
    ids = dog_ids(records)
    told = {"therapy": "ciclosporin", "date": SIGNED, "sign": "sick, says Ada Quillfeather"}
    for number in ("P1", "P3"):
        with records.writing() as connection:
            rows = [("adverse_reaction", told)]
            entry = enter(connection, ids[number], rows, by="v", at=practice.now)
            done = {"by": "v", "at": practice.now, "reason": "Ada Quillfeather was mistaken"}
            take_back(connection, entry, dog_id=ids[number], **done)
    held = json.dumps(held_on_owner(practice, records, "K1")["dogs"][0]["taken back"])
    assert "sick, says" in held
    assert "was mistaken" in held
    erase_owner(practice, records, "K1")
    (hers,), (his,) = (taken_back_of(records, ids[number]) for number in ("P1", "P3"))
    assert (hers.taken_back.in_words, hers.taken_back.reason) == (None, None)
    assert hers.rows[0].values["therapy"] == "ciclosporin"
    assert his.taken_back.in_words == "sick, says Ada Quillfeather"


def test_why_a_vet_lets_a_dose_hold_longer_goes_and_the_word_stays(practice, records):
    """So does who looks after the dog, under random ids; another owner's dog keeps the reason."""
    ids = dog_ids(records)
    with records.writing() as connection:
        (vet_id,) = keep_vets(connection, ["Dr Invented"]).values()
        assign(connection, {ids["P1"]: vet_id, ids["P3"]: vet_id}, since=SIGNED, by=None)
        for number in ("P1", "P3"):
            row = {"dog_id": ids[number], "therapy": "anti_il31_antibody", "date": SIGNED}
            row |= {"days": 56, "signed_by": "v", "reason": "Ada Quillfeather swears by it"}
            connection.execute(insert(tables.vets_word).values(**row))
    held = held_on_owner(practice, records, "K1")
    assert "swears by it" in json.dumps(held)
    assert held["dogs"][0]["vets"][0]["vet"][0]["name"] == "Dr Invented"
    erase_owner(practice, records, "K1")
    words = {one.dog_id: one for one in vets_words(records, on=SIGNED).values()}
    assert (words[ids["P1"]].days, words[ids["P1"]].reason) == (56, REASON_GONE)
    assert "swears by it" in words[ids["P3"]].reason
    with records.reading() as connection:
        assert vets_on(connection, SIGNED)[ids["P1"]] == vet_id

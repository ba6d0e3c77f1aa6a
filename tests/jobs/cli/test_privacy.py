"""Erasing and giving out at the command line: asked once, done for good, in plain words."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path

import pytest

from forecast.practice import create_practice, open_practice, template
from forecast.records import open_records
from forecast.records.dogs import dog_ids
from forecast.records.runs import runs
from forecast.records.staff import staff_identities
from jobs.imports import import_file

FILES = {
    "branches": "id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri\n",
    "dogs": "dog,name,owner,owner_number\nD1,Rex,Ada Quillfeather,K1\nD2,Mo,Bo Puddlewright,K2\n",
    "visits": "visit,date,branch,dog,kind\nV1,2023-01-02,main,D1,other\n",
}


@pytest.fixture
def folder(tmp_path) -> Path:
    practice = create_practice(tmp_path / "practice", template().replace('"grass"', '"grasses"'))
    for name, text in FILES.items():
        (tmp_path / f"{name}.csv").write_text(text)
        import_file(practice, name, tmp_path / f"{name}.csv")
    return practice.folder


def test_an_owner_is_erased_once_it_is_confirmed(folder, forepaw, monkeypatch):
    """Without the answer nothing happens; the run is on record and names nobody."""
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    refused = forepaw("erase", "owner", "K1", "--practice", folder)
    assert refused.code == 1
    records = open_records(open_practice(folder))
    assert set(dog_ids(records)) == {"D1", "D2"}
    done = forepaw("erase", "owner", "K1", "--practice", folder, "--yes")
    assert done.code == 0
    assert "erased: the owner, 1 dogs, 1 rows of raw files" in done.out
    assert set(dog_ids(records)) == {"D2"}
    (run,) = runs(records, job="erase owner")
    assert (run.state, run.result) == ("done", "1 dogs, 1 rows of raw files")
    records.close()
    again = forepaw("erase", "owner", "K1", "--practice", folder, "--yes")
    assert again.code == 2
    assert again.told[0].startswith("forepaw: the owner 'K1' was asked for, who is not on record")


def test_a_file_that_still_names_them_is_told(folder, forepaw):
    """A letter in the practice's folder is the practice's own."""
    letter = folder / "outbox" / "letter.txt"
    letter.write_text("Dear Ada Quillfeather")
    done = forepaw("erase", "owner", "K1", "--practice", folder, "--yes")
    assert "letter.txt still holds the name; delete it, or take the name out" in done.out


def test_a_raw_file_nobody_can_read_is_told_and_deleted_if_asked(folder, forepaw):
    """With the way to do it."""
    odd = folder / "archive" / f"{'0' * 64}.csv.gz"
    odd.write_bytes(gzip.compress(b"A;B\nx;y\n"))
    forepaw("export", "owner", "K1", folder.parent / "k1.json", "--practice", folder)
    assert odd.name in (folder.parent / "k1.json").read_text()
    done = forepaw("erase", "owner", "K1", "--practice", folder, "--yes")
    assert "no layout fits it any more" in done.out
    assert "`--delete-unreadable` deletes them whole" in done.out
    assert odd.exists()
    forepaw("erase", "owner", "K2", "--practice", folder, "--yes", "--delete-unreadable")
    assert not odd.exists()


def test_all_that_is_held_is_written_to_a_new_private_file(folder, forepaw, tmp_path):
    """A file that is there is not written over."""
    file = tmp_path / "ada.json"
    done = forepaw("export", "owner", "K1", file, "--practice", folder)
    assert done.code == 0
    held = json.loads(file.read_text(encoding="utf-8"))
    assert held["owner"][0]["name"] == "Ada Quillfeather"
    assert "Puddlewright" not in file.read_text(encoding="utf-8")
    assert file.stat().st_mode & 0o077 == 0
    again = forepaw("export", "owner", "K1", file, "--practice", folder)
    assert again.code == 2
    assert again.told == [f"forepaw: {file} cannot be written: file exists; name a new file"]


@pytest.fixture
def staffed(folder, tmp_path) -> Path:
    """Give the practice with two of staff, and a roster that names one of them."""
    file = tmp_path / "staff.csv"
    file.write_text(
        "person,name,skills,branch,hours_a_week\nS7,Cyra Saltspoon,vet,main,40\n"
        "S8,Orla Pell,desk,main,20\n"
    )
    import_file(open_practice(folder), "staff", file)
    roster = folder / "outbox" / "i1" / "staff" / "shifts-1.ics"
    roster.parent.mkdir(parents=True)
    roster.write_text("SUMMARY:Cyra Saltspoon: vet")
    return folder


def naming(folder: Path) -> list[Path]:
    """Return the files of a practice in which Saltspoon stands, the database's own among them."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return [path for path in files if b"Saltspoon" in path.read_bytes()]


def test_all_held_on_one_of_staff_is_given_out_for_its_asker_alone(staffed, forepaw):
    """Nothing of anybody else, in a file that only its owner reads; no file is written over."""
    file = staffed.parent / "s7.json"
    done = forepaw("export", "staff", "S7", file, "--practice", staffed)
    assert done.code == 0
    assert "all that is held on the member of staff; readable by you alone" in done.out
    held = json.loads(file.read_text())
    assert held["identity"][0]["name"] == "Cyra Saltspoon"
    assert held["terms"][0]["hours_week"] == 40.0
    assert "Orla" not in file.read_text()
    assert file.stat().st_mode & 0o777 == 0o600
    assert forepaw("export", "staff", "S7", file, "--practice", staffed).code == 2


def test_one_of_staff_is_erased_once_it_is_confirmed(staffed, forepaw, monkeypatch):
    """Without the answer nothing happens; then nothing in the folder names them, nor the run."""
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    assert forepaw("erase", "staff", "S7", "--practice", staffed).code == 1
    assert naming(staffed)
    done = forepaw("erase", "staff", "S7", "--practice", staffed, "--yes")
    assert done.code == 0
    assert "erased: the member of staff; 1 rosters that named them deleted" in done.out
    assert naming(staffed) == []
    records = open_records(open_practice(staffed))
    assert [one.name for one in staff_identities(records)] == ["Orla Pell"]
    (run,) = runs(records, job="erase staff")
    assert run.state == "done"
    assert "S7" not in (run.result or "")
    records.close()
    again = forepaw("erase", "staff", "S7", "--practice", staffed, "--yes")
    assert again.code == 2
    assert "'S7'" in again.told[0]

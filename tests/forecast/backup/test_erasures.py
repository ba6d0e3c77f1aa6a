"""Who was erased stays erased: a back-up from before brings nobody back."""

from __future__ import annotations

import gzip
import hashlib
import json
import shutil
from dataclasses import replace
from datetime import timedelta

import pytest

from forecast.backup import restore
from forecast.practice import open_practice, parse_settings
from forecast.privacy import erase_owner
from forecast.records import RecordsError, open_records
from forecast.records.dogs import dog_ids
from forecast.records.erased import ERASED_FILE, keep_beside, read_erased
from forecast.visits import import_visits

pytestmark = pytest.mark.parametrize("database", ["sqlite"], indirect=True)


def test_before_the_erasure_a_restored_practice_names_them(back_up, named_in, tmp_path):
    """Else their absence below would say nothing: records, raw files and papers hold the names."""
    done = restore(back_up().file, tmp_path / "new")
    found = named_in(done.folder)
    assert "records.sqlite" in found
    assert [name for name in found if name.startswith("archive/")]


def test_after_the_loss_of_the_practice_folder_nobody_who_was_erased_comes_back(
    back_up, practice, records, named_in, tmp_path
):
    """The list beside the back-ups outlives the folder, and reaches records, raw files, papers."""
    plans = practice.outbox_folder / "plans.csv"
    plans.write_text("dog,proposal\nP1,start\nP3,start\n")
    made = back_up()
    erase_owner(practice, records, "K1")
    shutil.rmtree(practice.folder)
    done = restore(made.file, tmp_path / "new")
    assert done.list_of_erased == made.file.with_name(ERASED_FILE)
    assert (done.replayed.n_erasures, done.last_erasure) == (1, practice.now)
    assert (done.replayed.unreadable, done.replayed.still_named) == ({}, [])
    assert named_in(done.folder) == {}
    again = open_practice(done.folder)
    restored = open_records(again)
    assert set(dog_ids(restored)) == {"P3"}
    restored.close()
    assert (done.folder / "outbox/plans.csv").read_text("utf-8-sig") == (
        "dog,proposal\nerased,start\nP3,start\n"
    )
    assert read_erased(again).holds_owner("K1")


def test_a_raw_file_that_the_copied_records_do_not_know_is_gone_through_too(
    back_up, practice, records, monkeypatch, tmp_path
):
    """It came while the back-up was being made: after the records, before the files."""
    from forecast.backup import contents

    by_hand = contents.written_by_hand

    def with_a_late_file(*args, **options):
        path = tmp_path / "late.csv"
        path.write_text(
            "Invoice;Date;Site;Patient no;Patient;Client no;Client;Item;Notes\n"
            "R8;2024-05-13;n1;P8;Old Marrowfat;K9;Zeb Marrowfat;CONS;itchy\n"
        )
        import_visits(practice, records, path)
        return by_hand(*args, **options)

    monkeypatch.setattr(contents, "written_by_hand", with_a_late_file)
    made = back_up()
    monkeypatch.undo()
    erase_owner(practice, records, "K9")
    done = restore(made.file, tmp_path / "new")
    assert done.replayed.n_erasures == 1
    raw = [gzip.decompress(path.read_bytes()) for path in done.folder.glob("archive/*.csv.gz")]
    assert not [content for content in raw if b"Marrowfat" in content]
    late = hashlib.sha256((tmp_path / "late.csv").read_bytes()).hexdigest()
    assert f"archive/{late}.csv.gz" in made.manifest.members, "else this showed nothing"


def test_what_nobody_may_rewrite_is_named(back_up, practice, records, tmp_path):
    """A letter of the practice's own in the outbox still holds the name, and it is said."""
    (practice.outbox_folder / "letter.txt").write_text("Dear Ada Quillfeather")
    made = back_up()
    erase_owner(practice, records, "K1")
    done = restore(made.file, tmp_path / "new")
    assert done.replayed.still_named == [done.folder / "outbox/letter.txt"]


def test_without_the_list_it_can_be_named(back_up, practice, records, named_in, tmp_path):
    """The back-up alone, carried elsewhere, knows of erasures before it only."""
    alone = tmp_path / "stick"
    alone.mkdir()
    made = back_up()
    erase_owner(practice, records, "K1")
    file = shutil.copy(made.file, alone)
    without = restore(alone / made.file.name, tmp_path / "without")
    assert without.list_of_erased is None
    assert named_in(without.folder)
    newest = made.file.with_name(ERASED_FILE)
    done = restore(alone / made.file.name, tmp_path / "with", erasures=newest)
    assert file
    assert done.replayed.n_erasures == 1
    assert named_in(done.folder) == {}


def test_a_list_of_another_practice_is_refused(back_up, tmp_path):
    """By its key; nothing is written."""
    other = tmp_path / "other.jsonl"
    other.write_text(json.dumps({"key": "00" * 32}) + "\n")
    with pytest.raises(RecordsError, match="list of erasures of another practice"):
        restore(back_up().file, tmp_path / "new", erasures=other)
    assert not (tmp_path / "new").exists()


def test_an_old_export_does_not_bring_them_back_into_a_restored_practice(
    back_up, practice, records, named_in, tmp_path
):
    """The list goes on working there."""
    made = back_up()
    erase_owner(practice, records, "K1")
    again = open_practice(restore(made.file, tmp_path / "new").folder)
    restored = open_records(again)
    path = tmp_path / "again.csv"
    path.write_text("visit,date,branch,dog,kind\nR7,2024-05-09,n1,P1,other\n")
    import_visits(again, restored, path)
    assert set(dog_ids(restored)) == {"P3"}
    restored.close()


def test_lists_grow_together_and_lose_no_line(back_up, practice, records, tmp_path):
    """Erased in two copies of one practice: beside the back-ups stand both erasures."""
    made = back_up()
    copy = open_practice(restore(made.file, tmp_path / "copy").folder)
    erase_owner(practice, records, "K1")
    other = open_records(copy)
    erase_owner(copy, other, "K3")
    other.close()
    beside = keep_beside(copy, practice.backups_folder)
    both = replace(practice, folder=beside.parent)
    assert len(read_erased(both).erasures) == 2
    assert read_erased(both).holds_owner("K1")
    assert read_erased(both).holds_owner("K3")
    assert len(read_erased(copy).erasures) == 2
    content = beside.read_text()
    keep_beside(practice, practice.backups_folder)
    assert beside.read_text() == content, "again changes nothing"


def test_a_folder_of_back_ups_that_is_not_there_is_said_when_somebody_is_erased(
    practice, records, tmp_path
):
    """A disk that is not mounted: the erasing is done all the same."""
    text = practice.settings_text.replace("# newest = 7", f'folder = "{tmp_path}/unmounted"')
    named = replace(
        practice, settings=parse_settings(text), now=practice.now + timedelta(minutes=1)
    )
    done = erase_owner(named, records, "K1")
    (remark,) = done.remarks
    assert "unmounted, named for back-ups, holds none or is not there" in remark
    assert done.n_dogs == 2

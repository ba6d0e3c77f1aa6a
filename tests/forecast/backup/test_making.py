"""A back-up holds all it should, also of what is written meanwhile, or leaves nothing behind."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import stat
import tarfile
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import text

from forecast.backup import BackupError, backups, make_backup
from forecast.backup import making as making_module
from forecast.backup.archive import MANIFEST, ArchiveWriter
from forecast.climate import ClimateError, open_climate
from forecast.practice import Practice, open_practice
from forecast.records import RecordsError, open_records, tables
from forecast.records.copying import copy_records, look_into
from forecast.records.erased import ERASED_FILE
from forecast.records.schema import newest_known

ON_SQLITE = pytest.mark.parametrize("database", ["sqlite"], indirect=True)


@pytest.fixture
def lacking_issue(practice, records) -> str:
    """Give the file of an issue that has a row and is not in the folder."""
    values = {
        "id": "i1",
        "issued_at": practice.now,
        "origin": practice.today,
        "kind": "issued",
        "model_hash": "m",
        "settings_sha256": "s",
        "seed": 1,
        "file": "2024-05-31-i1.nc",
        "file_sha256": "f",
        "climate_snapshot": "c",
    }
    with records.writing() as connection:
        connection.execute(tables.settings_text.insert().values(sha256="s", text=""))
        connection.execute(tables.issue.insert().values(values))
    return "issued/2024-05-31-i1.nc"


def names_in(file) -> list[str]:
    with tarfile.open(file) as archive:
        return archive.getnames()


def test_any_tar_program_makes_a_practice_of_it(back_up, every_row, records, climate, tmp_path):
    """Unpacked by hand, with no code of ours, and opened; whatever database the records were in."""
    made = back_up()
    folder = tmp_path / "by hand"
    with tarfile.open(made.file) as archive:
        archive.extractall(folder, filter="data")
    settings = folder / "practice.toml"
    settings.write_text(settings.read_text().split("[records]")[0])
    practice = open_practice(folder)
    again = open_records(practice)
    assert every_row(again) == every_row(records)
    again.close()
    unpacked = open_climate(practice)
    assert unpacked.tags() == climate.tags()
    assert unpacked.weather().equals(climate.weather())


def test_it_says_what_it_is_and_only_its_owner_reads_it(back_up, practice, records):
    """The manifest lists every other member, and the versions that made it."""
    made = back_up()
    assert made.file == practice.backups_folder / "forepaw-20240531T120000Z.tar.gz"
    assert stat.S_IMODE(made.file.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.file.parent.stat().st_mode) == 0o700
    with tarfile.open(made.file) as archive:
        told = json.load(archive.extractfile(MANIFEST))
    assert told["schema"] == newest_known()
    assert told["made_at"] == "2024-05-31T12:00:00+00:00"
    assert told["records_from"] == ("sqlite" if records.is_sqlite else "postgresql")
    assert {"forepaw", "python", "icechunk", "sqlite"} <= set(told["versions"])
    assert [*told["members"], MANIFEST] == names_in(made.file)
    assert made.n_bytes == made.file.stat().st_size


@ON_SQLITE
def test_keys_and_what_is_not_the_services_own_stay_out_and_are_named(back_up, practice):
    """Keys go along if asked; locks and half-written files are not even named."""
    given = ("secrets/open_meteo.key", "key", "drop/visits.csv", "mine/notes.txt")
    for name in (*given, "a.part", "locks/issue.lock"):
        path = practice.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    (practice.layouts_folder / "desk.toml").write_text("")
    (practice.archive_folder / "half.csv.gz.1.part").write_text("x")
    made = back_up()
    assert made.manifest.left_out == ["drop", "key", "mine", "secrets"]
    assert "layouts/desk.toml" in made.manifest.members
    assert not [name for name in made.manifest.members if name.endswith((".part", ".lock"))]
    with_keys = make_later(practice, with_secrets=True)
    assert {"secrets/open_meteo.key", "key"} <= set(with_keys.manifest.members)
    assert with_keys.manifest.left_out == ["drop", "mine"]


def make_later(practice: Practice, minutes: int = 1, **options):
    """Make a back-up some minutes later."""
    later = replace(practice, now=practice.now + timedelta(minutes=minutes))
    records = open_records(practice)
    try:
        return make_backup(later, records, open_climate(practice), **options)
    finally:
        records.close()


@ON_SQLITE
def test_what_a_killed_back_up_left_is_deleted_and_good_ones_stay(back_up, practice):
    """Only what ends in .part was left."""
    good = back_up().file
    content = good.read_bytes()
    left = good.with_name("forepaw-20240530T120000Z.tar.gz.part")
    for path in (left, practice.folder / making_module.STAGED):
        path.write_bytes(b"half")
    made = make_later(practice)
    assert not left.exists()
    assert not (practice.folder / making_module.STAGED).exists()
    assert good.read_bytes() == content
    assert list(backups(practice.backups_folder)) == [good, made.file]


@ON_SQLITE
@pytest.mark.parametrize("spoil", ["full disk", "interrupt", "nothing written"])
def test_one_that_fails_leaves_nothing_and_the_good_ones(back_up, practice, monkeypatch, spoil):
    """No half archive, no copy of the records, and a sentence."""
    good = back_up().file

    def fail(*_args, **_options):
        if spoil == "full disk":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if spoil == "interrupt":
            raise KeyboardInterrupt
        return True  # nothing was written, and the climate store's files are missed

    monkeypatch.setattr(ArchiveWriter, "add", fail)
    expected = {
        "full disk": (BackupError, "could not be written: no space left.*earlier ones are"),
        "interrupt": (KeyboardInterrupt, None),
        "nothing written": (BackupError, "the climate store lacks"),
    }
    error, match = expected[spoil]
    with pytest.raises(error, match=match):
        make_later(practice)
    held = {path.name for path in practice.backups_folder.iterdir()}
    assert held == {good.name, ERASED_FILE}
    assert not (practice.folder / making_module.STAGED).exists()


@ON_SQLITE
def test_what_comes_back_from_the_disk_is_compared_before_it_counts(back_up, practice, monkeypatch):
    """A byte that changes between writing and reading again spoils the back-up, and is said."""
    finish = ArchiveWriter.finish

    def finish_and_spoil(self, *args, **options):
        finish(self, *args, **options)
        part = next(practice.backups_folder.glob("*.part"))
        with part.open("r+b") as file:
            middle = part.stat().st_size // 2
            file.seek(middle)
            spoilt = bytes(byte ^ 0xFF for byte in file.read(4))
            file.seek(middle)
            file.write(spoilt)

    monkeypatch.setattr(ArchiveWriter, "finish", finish_and_spoil)
    with pytest.raises(BackupError, match="is damaged"):
        back_up()
    assert [path.name for path in practice.backups_folder.iterdir()] == [ERASED_FILE]


@ON_SQLITE
def test_two_at_once_are_refused(back_up, practice):
    """The second would delete the first one's parts."""
    with (
        making_module._alone(practice),
        pytest.raises(BackupError, match="another one of this practice is being made"),
    ):
        back_up()


@ON_SQLITE
def test_a_folder_of_another_practices_back_ups_is_refused(back_up, practice, tmp_path):
    """Else each would thin out the other's."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / ERASED_FILE).write_text(json.dumps({"key": "00" * 32}) + "\n")
    with pytest.raises(RecordsError, match="another practice"):
        back_up(folder=elsewhere)
    back_up()
    with pytest.raises(RecordsError, match="of another practice"):
        make_later(practice, folder=elsewhere)
    assert [path.name for path in elsewhere.iterdir()] == [ERASED_FILE]


@ON_SQLITE
def test_a_folder_that_cannot_be_made_is_said(back_up, tmp_path):
    """With what to do."""
    (tmp_path / "file").write_text("")
    with pytest.raises(BackupError, match=r"cannot be written to .*: .*; name another folder"):
        back_up(folder=tmp_path / "file" / "below")


def test_an_issue_whose_file_is_lacking_is_told_and_the_rest_kept(back_up, lacking_issue):
    """Better a back-up that says so than none."""
    made = back_up()
    assert made.manifest.lacking == [lacking_issue]
    assert "records.sqlite" in made.manifest.members


@ON_SQLITE
def test_a_climate_store_that_lacks_what_it_names_is_not_backed_up(back_up, practice, climate):
    """A snapshot's file is gone: the archive would be as useless as the store."""
    snapshot = climate.tags()["first"]
    (path,) = practice.climate_folder.rglob(f"snapshots/{snapshot}")
    back_up()
    path.rename(path.with_name("elsewhere"))
    with pytest.raises(ClimateError, match=r"does not hold all that it names: .*not found"):
        make_later(practice)
    assert len(backups(practice.backups_folder)) == 1


@ON_SQLITE
def test_damaged_records_do_not_take_the_place_of_good_ones(practice, records, tmp_path):
    """SQLite's own check of the copy says so."""
    file = tmp_path / "copy"
    copied = copy_records(records, file, tell=lambda share: None)
    assert copied.schema == newest_known()
    with closing(sqlite3.connect(file)) as connection:
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'visit'"
        ).fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    with file.open("r+b") as raw:
        raw.seek((root - 1) * size)
        raw.write(b"\xff" * 100)
    with pytest.raises(RecordsError, match="a copy of the records is not sound"):
        look_into(file)


# ------------------------------------------------------------------------- while others are at work
def test_a_row_that_comes_while_the_records_are_copied_is_not_in_it(records, tmp_path):
    """The copy is of one moment, and whoever writes does not wait for it."""
    told = []

    def write(share: float) -> None:
        if not told:
            with records.writing() as connection:
                connection.execute(
                    text("INSERT INTO branch VALUES ('late', 'Late', 'seoul', 'mon')")
                )
        told.append(share)

    copy_records(records, tmp_path / "copy", tell=write)
    assert told[-1] == 1
    with closing(sqlite3.connect(tmp_path / "copy")) as copy:
        assert copy.execute("SELECT id FROM branch").fetchall() == [("n1",)]
    with records.reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM branch")).scalar() == 2


@ON_SQLITE
def test_weather_is_committed_and_nothing_cleaned_up_while_a_back_up_runs(
    back_up, practice, climate, append, monkeypatch
):
    """In the midst of it, between names and data, a commit goes through and a clean-up does not."""
    names, outcome = climate.files_of_names, []

    def in_the_midst():
        found = names()
        other = type(climate).open(practice.climate_folder, wait_seconds=0.1)
        outcome.append(append(other, "2024-02-01", "2024-02-29"))
        with pytest.raises(ClimateError, match="is being copied into a back-up"):
            other.clean_up(names=["first"], replaced_before=practice.now + timedelta(days=1))
        return found

    monkeypatch.setattr(climate, "files_of_names", in_the_midst)
    made = back_up()
    assert outcome == [climate.head()]
    assert f"climate/repository/snapshots/{outcome[0]}" in made.manifest.members
    climate.clean_up(names=["first"], replaced_before=practice.now)  # and afterwards it does


def test_null_and_no_value_stay_apart_when_tables_are_copied(records, tmp_path):
    """JSON has a null of its own; and every other kind of column comes over as it was."""
    with records.writing() as connection:
        run = "INSERT INTO job_run (id, job, local_date, state, started_at, cut) VALUES "
        day = "'2024-05-31', 'done', '2024-05-31 12:00:00.5'"
        connection.execute(text(f"{run} ('a', 'x', {day}, NULL), ('b', 'x', {day}, 'null')"))
        value = """'{"ä": [1, 2.5]}'"""
        connection.execute(text(f"{run} ('c', 'x', {day}, {value})".replace(": [", "\\: [")))
    copy_records(records, tmp_path / "copy", tell=lambda share: None)
    with closing(sqlite3.connect(tmp_path / "copy")) as copy:
        held = copy.execute("SELECT id, cut FROM job_run ORDER BY id").fetchall()
        assert [row[0] for row in held] == ["a", "b", "c"]
        assert (held[0][1], held[1][1]) == (None, "null")
        assert json.loads(held[2][1]) == {"ä": [1, 2.5]}
        assert copy.execute("SELECT typeof(local_date), started_at FROM job_run").fetchone() == (
            "text",
            "2024-05-31 12:00:00.500000" if not records.is_sqlite else "2024-05-31 12:00:00.5",
        )

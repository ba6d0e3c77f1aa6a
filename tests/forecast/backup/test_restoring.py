"""A restored practice is the one that was backed up, or a folder that every command refuses."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from sqlalchemy import insert, inspect

from forecast.backup import BackupError, restore
from forecast.backup import restoring as restoring_module
from forecast.climate import open_climate
from forecast.practice import PracticeError, open_practice
from forecast.records import Records, RecordsError, open_records, tables
from forecast.records.schema import newest_known, schema_of

ON_SQLITE = pytest.mark.parametrize("database", ["sqlite"], indirect=True)


@pytest.fixture
def moved(practice, tmp_path):
    """Give a function that writes the practice's settings, with other records, to a file."""

    def write(section: str = "") -> Path:
        path = tmp_path / "moved.toml"
        path.write_text(practice.settings_text.split("[records]")[0] + section)
        return path

    return write


def test_all_of_it_is_there_again(back_up, practice, records, climate, every_row, moved, tmp_path):
    """Rows, weather, files byte for byte; into the folder, whatever database it came from."""
    (practice.layouts_folder / "desk.toml").write_text("# mine\n")
    made, before = back_up(), every_row(records)
    told: list[float] = []
    done = restore(made.file, tmp_path / "new", settings=moved(), tell=told.append)
    assert (done.into, done.replayed.n_erasures, done.last_erasure) == ("", 0, None)
    assert told == sorted(told)
    again = open_practice(done.folder)
    restored = open_records(again)
    assert every_row(restored) == before
    restored.close()
    assert open_climate(again).weather().equals(climate.weather())
    for folder in ("archive", "layouts", "climate"):
        for path in (practice.folder / folder).rglob("*"):
            if path.is_file() and path.suffix != ".lock":
                twin = done.folder / path.relative_to(practice.folder)
                assert twin.read_bytes() == path.read_bytes()
                assert twin.stat().st_mode & 0o077 == 0
    assert done.folder.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("new_database", ["postgresql"], indirect=True)
@ON_SQLITE
def test_records_go_into_an_empty_database_and_go_on_counting(
    back_up, records, every_row, moved, new_database, tmp_path
):
    """No copy with names stays in the folder; the next row gets a free number."""
    made, before = back_up(), every_row(records)
    settings = moved(new_database)
    done = restore(made.file, tmp_path / "new", settings=settings)
    practice = open_practice(done.folder)
    assert practice.settings.records is not None
    assert done.into == practice.settings.records.url
    assert not list(done.folder.glob("records.sqlite*"))
    target = open_records(practice)
    assert every_row(target) == before
    with target.writing() as connection:
        row = {"reference": "R9", "date": practice.today, "branch_id": "n1", "kind": "other"}
        new = connection.execute(insert(tables.visit).values(row)).inserted_primary_key[0]
    assert new == max(row[0] for row in before["visit"]) + 1
    target.close()
    with pytest.raises(RecordsError, match=r"which is not empty: it holds \d+ tables"):
        restore(made.file, tmp_path / "second", settings=settings)
    assert not (tmp_path / "second").exists()


@pytest.mark.parametrize("new_database", ["postgresql"], indirect=True)
@ON_SQLITE
def test_a_restore_into_a_database_is_all_or_nothing(
    back_up, moved, new_database, tmp_path, monkeypatch
):
    """Cut off among the tables: no table is there, no folder either."""
    made = back_up()
    monkeypatch.setattr("forecast.records.copying._go_on_counting", lambda connection: 1 / 0)
    settings = moved(new_database)
    with pytest.raises(ZeroDivisionError):
        restore(made.file, tmp_path / "new", settings=settings)
    assert not (tmp_path / "new").exists()
    url = new_database.split('"')[1]
    target = Records(url)
    with target.reading() as connection:
        assert inspect(connection).get_table_names() == []
    target.close()


@ON_SQLITE
def test_older_records_are_brought_to_the_newest_schema(
    practice, records, climate, back_up, tmp_path
):
    """A back-up of last year, restored by this year's code."""
    from alembic import command

    from forecast.records.schema import alembic_config

    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "0003")
    made = back_up()
    assert made.manifest.schema == "0003"
    done = restore(made.file, tmp_path / "new")
    again = open_records(open_practice(done.folder))
    with again.reading() as connection:
        assert schema_of(connection) == newest_known()
    again.close()


@ON_SQLITE
def test_a_folder_that_holds_anything_is_refused(back_up, tmp_path):
    """What is there is never overwritten; an empty folder is taken."""
    file = back_up().file
    there = tmp_path / "there"
    there.mkdir()
    (there / "mine").write_text("x")
    with pytest.raises(BackupError, match="is not an empty folder; name a new"):
        restore(file, there)
    assert [path.name for path in there.iterdir()] == ["mine"]
    (there / "mine").unlink()
    assert open_practice(restore(file, there).folder)


class Stop(BaseException):
    """A stand-in for what ends a process."""


@ON_SQLITE
@pytest.mark.parametrize("step", ["unpack", "migrate", "replay_erasures"])
def test_cut_off_at_any_step_nothing_is_left(back_up, tmp_path, monkeypatch, step):
    """An error, or an interrupt from the keyboard: all that was written is taken away again."""

    def stop(*_args, **_options):
        raise Stop

    file = back_up().file
    monkeypatch.setattr(restoring_module, step, stop)
    with pytest.raises(Stop):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()
    (tmp_path / "empty").mkdir()
    with pytest.raises(Stop):
        restore(file, tmp_path / "empty")
    assert list((tmp_path / "empty").iterdir()) == []


@ON_SQLITE
@pytest.mark.parametrize("step", ["unpack", "migrate", "replay_erasures", "sync"])
def test_killed_at_any_step_the_folder_is_refused_until_it_is_deleted(back_up, tmp_path, step):
    """A killed process cleans nothing up, so the folder itself says what it is."""
    file, folder = back_up().file, tmp_path / "new"
    child = os.fork()
    if child == 0:
        holder = os if step == "sync" else restoring_module
        setattr(holder, step, lambda *_args, **_options: os._exit(9))
        restore(file, folder)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    with pytest.raises(PracticeError, match="not restored to its end, so it is incomplete"):
        open_practice(folder)
    with pytest.raises(BackupError, match="did not come to its end; delete the folder"):
        restore(file, folder)
    shutil.rmtree(folder)
    assert open_practice(restore(file, folder).folder)


@ON_SQLITE
def test_a_disk_that_is_too_full_is_said_before_anything_is_written(back_up, tmp_path, monkeypatch):
    """With how much is wanted and how much there is."""
    file = back_up().file
    usage = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)
    with pytest.raises(BackupError, match=r"takes \d+ MB unpacked and .* has 0 MB free"):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@ON_SQLITE
def test_settings_that_this_code_does_not_know_are_refused_before_anything(
    back_up, moved, tmp_path
):
    """Their own sentence, and no folder."""
    file = back_up().file
    with pytest.raises(PracticeError, match=r"practice\.toml line .* is not a setting"):
        restore(file, tmp_path / "new", settings=moved("\n[nonsense]\na = 1\n"))
    with pytest.raises(BackupError, match="was named as settings and cannot be read"):
        restore(file, tmp_path / "new", settings=tmp_path / "nowhere.toml")
    assert not (tmp_path / "new").exists()

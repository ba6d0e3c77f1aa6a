"""The drop folder: what lies there at rest is taken in by its kind; what cannot be, says why."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta

import pytest

from forecast.practice import create_practice, open_practice
from forecast.records import open_records, visits
from forecast.records.branches import branches
from forecast.records.notices import notices
from forecast.records.runs import runs
from jobs.clock import tick
from jobs.drop import DropError, has_files_at_rest, kind_of, look
from jobs.registry import JOBS, find_job

NOW = datetime(2022, 6, 28, 20, 10, tzinfo=UTC)  # 05:10 on the 29th in Seoul
REST = timedelta(seconds=60)  # as the table has it
A_MOMENT = timedelta(seconds=30)  # a look takes its time, and more of it on a busy machine
BRANCHES = "id,name,region,open_days\nn1,North One,north,mon tue wed thu fri\n"
VISITS = "visit,date,branch,dog,kind\nV1,2022-06-01,n1,D1,itch flare\n"
TAKE = (find_job("take visits"),)


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


def drop(practice, name: str, text: str) -> None:
    (practice.drop_folder / name).write_text(text)


def take(practice, minutes: float = 2):
    """Let the clock look twice, past the rest of a file; return what the second look ran."""
    tick(practice.folder, NOW + timedelta(minutes=minutes), jobs=TAKE)
    return tick(practice.folder, NOW + timedelta(minutes=minutes) + REST + A_MOMENT, jobs=TAKE)


def lying(practice, where: str) -> list[str]:
    folder = practice.drop_folder / where
    return sorted(path.name for path in folder.glob("*")) if folder.exists() else []


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("dogs.csv", "dogs"),
        ("Therapies-2024-05.xlsx", "therapies"),
        ("scores 2.csv", "scores"),
        ("weather.nc", "weather"),
        ("seoul 2024.NC", "weather"),
        ("export_20240501.csv", "visits"),
        ("visits.csv", "visits"),
        ("dogsandcats.csv", "visits"),  # another word
        ("2024-05.csv", "visits"),
    ],
)
def test_a_files_name_tells_its_kind(name, kind):
    """Its first word, if that is a kind of import; what is no kind is an export of visits."""
    assert kind_of(name) == kind


def test_files_are_taken_in_in_the_order_in_which_they_need_each_other(practice):
    """Visits dropped before the branches they are of come after them; both are moved away."""
    drop(practice, "a_visits_export.csv", VISITS)
    drop(practice, "branches.csv", BRANCHES)
    (ran,) = take(practice)
    assert (ran.state, ran.rows, ran.noted) == ("done", 2, "files taken 2")
    records = open_records(practice)
    assert list(branches(records)) == ["n1"]
    assert len(visits.visits(records)) == 1
    # the look that took them was at 05:13 in Seoul
    assert lying(practice, "taken") == [
        "2022-06-29 0513 a_visits_export.csv",
        "2022-06-29 0513 a_visits_export.csv.txt",
        "2022-06-29 0513 branches.csv",
        "2022-06-29 0513 branches.csv.txt",
    ]
    told = (practice.drop_folder / "taken" / "2022-06-29 0513 branches.csv.txt").read_text()
    assert "branches.csv" in told
    starters = {run.job: run.started_by for run in runs(records)}
    assert starters["import branches"] == starters["take visits"] == "clock"
    assert not has_files_at_rest(practice)


def test_a_file_that_grows_between_looks_is_waited_for(practice):
    """It is taken a rest after it was last seen to change; its neighbour goes before it."""
    drop(practice, "branches.csv", BRANCHES)
    drop(practice, "export.csv", VISITS[:40])
    assert [path.name for path in look(practice, NOW).waiting] == ["branches.csv", "export.csv"]
    drop(practice, "export.csv", VISITS)
    seen = look(practice, NOW + REST)
    assert [path.name for path in seen.at_rest] == ["branches.csv"]
    assert [path.name for path in seen.waiting] == ["export.csv"]
    os.utime(practice.drop_folder / "export.csv", (1, 1))  # a copy that keeps times ends so
    assert [path.name for path in look(practice, NOW + 2 * REST).waiting] == ["export.csv"]
    almost = NOW + 3 * REST - timedelta(seconds=1)
    assert [path.name for path in look(practice, almost).waiting] == ["export.csv"]
    assert len(look(practice, NOW + 3 * REST).at_rest) == 2


def test_a_clock_that_is_put_back_does_not_make_a_file_wait_for_ever(practice):
    """Its rest counts anew from then."""
    drop(practice, "branches.csv", BRANCHES)
    look(practice, NOW)
    back = NOW - timedelta(days=30)
    assert look(practice, back).at_rest == ()
    assert len(look(practice, back + REST).at_rest) == 1


@pytest.mark.parametrize("name", [".hidden", "~lock.csv", "a.csv.part", "b.TMP", "c.crdownload"])
def test_what_is_not_finished_by_its_name_is_left(practice, name):
    """Nor are folders and links taken."""
    drop(practice, name, VISITS)
    (practice.drop_folder / "folder").mkdir()
    (practice.drop_folder / "link.csv").symlink_to(practice.settings_file)
    assert look(practice, NOW) == look(practice, NOW + REST)
    assert not has_files_at_rest(practice)


def test_a_file_that_cannot_be_used_is_refused_with_the_reason_and_stops_no_other(practice):
    """The run failed, so that a person is told, and names no file: its name may be somebody's."""
    drop(practice, "branches.csv", BRANCHES)
    drop(practice, "dogs Quillfeather.csv", "weight,colour\n3,brown\n")
    (ran,) = take(practice)
    assert (ran.state, ran.rows) == ("failed", 1)
    assert ran.noted == "files taken 1; refused 1: the folder refused says why"
    why = practice.drop_folder / "refused" / "2022-06-29 0513 dogs Quillfeather.csv.txt"
    assert "has no column 'dog'" in why.read_text()
    assert why.stat().st_mode & 0o777 == 0o600
    records = open_records(practice)
    assert "Quillfeather" not in "".join(run.result for run in runs(records))
    assert [one.about for one in notices(records)] == ["take visits"]


def test_a_file_that_trips_the_program_over_is_set_aside(practice, monkeypatch):
    """Otherwise all others would wait behind it."""

    def trip(practice, kind, file) -> None:
        raise ZeroDivisionError("Ada Quillfeather")

    monkeypatch.setattr("jobs.drop.import_file", trip)
    drop(practice, "branches.csv", BRANCHES)
    (ran,) = take(practice)
    assert ran.state == "failed"
    why = practice.drop_folder / "refused" / "2022-06-29 0513 branches.csv.txt"
    assert "ZeroDivisionError" in why.read_text()


def test_where_the_records_are_not_to_be_had_the_file_stays(practice, monkeypatch):
    """It is no fault of the file's; the next look takes it."""
    from forecast.records import RecordsError

    def busy(practice, kind, file) -> None:
        raise RecordsError("the records were busy")

    drop(practice, "branches.csv", BRANCHES)
    monkeypatch.setattr("jobs.drop.import_file", busy)
    (ran,) = take(practice)
    assert (ran.state, lying(practice, "refused")) == ("failed", [])
    monkeypatch.undo()
    (ran,) = tick(practice.folder, NOW + timedelta(minutes=30), jobs=TAKE)
    assert (ran.state, ran.rows) == ("done", 1)


def test_the_same_name_twice_in_a_minute_overwrites_nothing(practice):
    """The second is numbered."""
    for text in (BRANCHES, BRANCHES.replace("North One", "North 1")):
        drop(practice, "branches.csv", text)
        look(practice, NOW)
        tick(practice.folder, NOW + REST + A_MOMENT, jobs=TAKE)
    assert [name for name in lying(practice, "taken") if not name.endswith(".txt")] == [
        "2022-06-29 0511 2 branches.csv",
        "2022-06-29 0511 branches.csv",
    ]


def test_a_drop_folder_elsewhere_that_is_missing_is_told(practice, tmp_path):
    """A share that is not there fails the run, with a sentence."""
    text = practice.settings_file.read_text()
    practice.settings_file.write_text(text + f'\n[clock]\ndrop_folder = "{tmp_path}/share"\n')
    opened = open_practice(practice.folder, now=NOW)
    assert has_files_at_rest(opened)
    with pytest.raises(DropError, match="share cannot be read: no such file or directory"):
        look(opened, NOW)
    (ran,) = tick(practice.folder, NOW, jobs=TAKE)
    assert ran.state == "failed"
    assert "drop_folder under [clock]" in ran.noted
    (tmp_path / "share").mkdir()
    (tmp_path / "share" / "branches.csv").write_text(BRANCHES)
    (ran,) = take(opened, minutes=20)
    assert (ran.state, ran.rows) == ("done", 1)


def test_what_was_taken_long_ago_is_taken_away(practice):
    """30 days on it is there, a day later it is gone; what a person put there stays."""
    house = tuple(job for job in JOBS if job.name == "housekeeping")
    drop(practice, "branches.csv", BRANCHES)
    take(practice)
    (practice.drop_folder / "taken" / "note.txt").write_text("mine")
    stays = NOW.replace(hour=15) + timedelta(days=30)  # past midnight of 29 July in Seoul
    assert stays.astimezone(practice.time_zone).date() == date(2022, 7, 29)
    tick(practice.folder, stays, jobs=house)
    assert len(lying(practice, "taken")) == 3
    (ran,) = tick(practice.folder, stays + timedelta(days=1), jobs=house)
    assert "files of the drop folder taken away 2" in ran.noted
    assert lying(practice, "taken") == ["note.txt"]

"""Doctor: a broken practice is told about as a whole, and nothing of it is changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections import namedtuple
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from forecast.climate import open_climate
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from forecast.records.notices import raise_notice
from forecast.records.requests import ask
from forecast.records.runs import finish_run, start_run
from jobs import disks
from jobs.backup import back_up
from jobs.clock_lock import one_clock
from jobs.doctor import Check, examine, exit_code, machine
from jobs.doctor.look import NotLookedAtError
from jobs.opening import running

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
GB = 10**9


@pytest.fixture
def folder(clinic, tmp_path) -> Path:
    """Give a practice with weather and a visit, to be broken at will."""
    made = Path(shutil.copytree(clinic, tmp_path / "practice"))
    # whoever closes the records last folds SQLite's log of changes in: not what is tested here
    sql(made, "PRAGMA wal_checkpoint(TRUNCATE)")
    return made


@pytest.fixture
def practice(folder) -> Practice:
    return open_practice(folder, now=NOW)


@pytest.fixture
def records(practice):
    opened = open_records(practice)
    yield opened
    opened.close()


def found(folder: Path, name: str, now: datetime = NOW) -> list[tuple[str, str]]:
    """Return state and sentence of the checks of one name."""
    return [(one.state, one.sentence) for one in examine(folder, now=now) if one.name == name]


def states(checks: list[Check]) -> dict[str, set[str]]:
    by_name: dict[str, set[str]] = {}
    for one in checks:
        by_name.setdefault(one.name, set()).add(one.state)
    return by_name


def whole(folder: Path) -> dict[str, str]:
    """Return every file and folder with the hash of what it holds."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(
            path.read_bytes() if path.is_file() else b""
        ).hexdigest()
        for path in sorted(folder.rglob("*"))
    }


def sql(folder: Path, statement: str) -> None:
    with sqlite3.connect(folder / "records.sqlite") as connection:
        connection.execute(statement)
    connection.close()


# ------------------------------------------------------------------------------ as a whole
def test_a_practice_that_works_is_fine(practice_folder):
    """With a forecast, a back-up and a clock: nothing but ok, exit code 0."""
    practice = open_practice(practice_folder)
    records, climate = open_records(practice), open_climate(practice)
    back_up(practice, records, climate, say=lambda _: None)
    with one_clock(practice, records):
        checks = examine(practice_folder)
    records.close()
    assert [one for one in checks if one.state != "ok"] == []
    assert exit_code(checks) == 0


@pytest.mark.parametrize(
    ("states_found", "code"),
    [
        (["ok", "ok"], 0),
        (["ok", "warn"], 1),
        (["ok", "not known"], 1),
        (["warn", "fail", "not known"], 2),
    ],
)
def test_exit_codes(states_found, code):
    """What is not known is never fine."""
    assert exit_code([Check("x", state, "") for state in states_found]) == code


def break_nothing(folder: Path) -> None: ...


def break_settings(folder: Path) -> None:
    (folder / "practice.toml").write_text("[practice\n")


def break_records(folder: Path) -> None:
    (folder / "records.sqlite").write_bytes(b"this is no database " * 500)


def take_records_away(folder: Path) -> None:
    (folder / "records.sqlite").unlink()


def make_schema_older(folder: Path) -> None:
    sql(folder, "UPDATE schema_version SET version_num = '0002'")


def make_schema_newer(folder: Path) -> None:
    sql(folder, "UPDATE schema_version SET version_num = '9999'")


def break_climate(folder: Path) -> None:
    for path in (folder / "climate" / "repository").rglob("*"):
        if path.is_file():
            path.write_bytes(b"x")


def take_all_away(folder: Path) -> None:
    for path in folder.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()


BREAKS = {
    break_nothing: {"settings": "ok", "records": "ok", "schema": "ok", "climate store": "ok"},
    break_settings: {"settings": "fail", "records": "not known", "secrets": "ok"},
    break_records: {"settings": "ok", "records": "fail", "runs": "not known", "back-up": "warn"},
    take_records_away: {"records": "ok", "runs": "not known", "climate store": "ok"},
    make_schema_older: {"schema": "warn", "records": "ok", "runs": "not known"},
    make_schema_newer: {"schema": "fail", "records": "ok", "runs": "not known"},
    break_climate: {"climate store": "fail", "records": "ok", "runs": "ok"},
    take_all_away: {"settings": "fail", "climate store": "not known", "permissions": "ok"},
}


@pytest.mark.parametrize("break_it", BREAKS, ids=lambda one: one.__name__)
def test_each_check_stands_by_itself_and_nothing_is_changed(folder, break_it):
    """No folder is made, no schema migrated, no run settled, not a byte written."""
    break_it(folder)
    before = whole(folder)
    checks = examine(folder, now=NOW)
    assert whole(folder) == before
    stands = states(checks)
    expected = BREAKS[break_it]
    assert {name: stands[name] for name in expected} == {k: {v} for k, v in expected.items()}
    assert len(checks) >= 20


def test_a_folder_that_is_not_there(tmp_path):
    """It fails, and is not made."""
    checks = examine(tmp_path / "nowhere", now=NOW)
    assert exit_code(checks) == 2
    assert "is no practice folder" in checks[0].sentence
    assert list(tmp_path.iterdir()) == []


def test_a_check_that_breaks_is_told_without_its_words(folder):
    """They may hold a name; the check after it is made."""

    def broken(look):
        raise ValueError("Ada Quillfeather")

    def fine(look):
        return [Check("second", "ok", "fine")]

    def without(look):
        raise NotLookedAtError("not looked at, as it rains")

    checks = examine(
        folder, now=NOW, examinations=[("first", broken), ("second", fine), ("third", without)]
    )
    assert [one.state for one in checks] == ["fail", "ok", "not known"]
    assert "ValueError in test_doctor.py line" in checks[0].sentence
    assert "Quillfeather" not in str(checks)


def test_a_folder_of_a_restore_that_was_cut_short(folder):
    """It is refused as every command refuses it."""
    (folder / "restore-incomplete.txt").write_text("x")
    ((state, sentence),) = found(folder, "settings")
    assert state == "fail"
    assert "restore again" in sentence


# ------------------------------------------------------------------------------ the machine
def usage(free: float):
    return lambda path: namedtuple("Usage", "total used free")(100 * GB, 0, int(free * GB))


@pytest.mark.parametrize(("free", "state"), [(0.9, "fail"), (1.1, "warn"), (5.1, "ok")])
def test_disk_space(folder, monkeypatch, free, state):
    """Below one gigabyte, below five, above."""
    monkeypatch.setattr(machine.shutil, "disk_usage", usage(free))
    assert found(folder, "disk space")[0] == (state, f"{free:.1f} GB are free")


def test_a_network_disk_is_refused(folder, tmp_path, monkeypatch):
    """The folder itself, or its climate store alone."""
    mounts = tmp_path / "mounts"
    monkeypatch.setattr(disks, "MOUNTS", mounts)
    root = "24 1 8:1 / / rw - ext4 /dev/sda1 rw\n"
    mounts.write_text(root)
    assert found(folder, "disk") == [("ok", "a disk of this machine (ext4)")]
    mounts.write_text(root + f"36 24 0:31 / {folder}/climate rw - nfs4 server:/x rw\n")
    ((state, sentence),) = found(folder, "disk")
    assert state == "fail"
    assert f"{folder}/climate is on a network disk (nfs4)" in sentence
    mounts.unlink()
    assert found(folder, "disk")[0][0] == "not known"


def test_a_clock_of_the_machine_that_goes_wrong(folder, records):
    """Before this version was made; or before a run that was written down."""
    early = datetime(2020, 1, 1, tzinfo=UTC)
    assert found(folder, "machine's clock", early)[0][0] == "fail"
    late = datetime(2090, 5, 31, 12, tzinfo=UTC)  # after the runs of today that made the folder
    start_run(records, "issue", local_date=late.date(), started_at=late)
    assert found(folder, "machine's clock", late - timedelta(minutes=4))[0][0] == "ok"
    ((state, sentence),) = found(folder, "machine's clock", late - timedelta(minutes=6))
    assert state == "fail"
    assert sentence == (
        "it says 2090-05-31 11:54 UTC, but a run was written down at 2090-05-31 12:00 UTC"
    )


def test_packages_that_are_missing_or_too_old(folder, monkeypatch):
    """Both are named."""
    wanted = ["numpy>=99", "no-such-package>=1", "aiosmtpd>=99; extra == 'test'"]
    monkeypatch.setattr(machine, "requires", lambda name: wanted)
    ((state, sentence),) = found(folder, "packages")
    assert state == "fail"
    assert ", >=99 is needed; no-such-package is missing" in sentence.replace("installed", "")
    assert "aiosmtpd" not in sentence


# ------------------------------------------------------------------------------ who may read
def test_secrets_that_others_may_read(folder):
    """They are named, not shown."""
    key = folder / "secrets" / "open_meteo.key"
    key.write_text("topsecret")
    key.chmod(0o640)
    assert found(folder, "secrets") == [
        ("fail", "others on this machine may read open_meteo.key; these are not used")
    ]
    key.chmod(0o600)
    assert found(folder, "secrets") == [("ok", "1, each readable by its owner alone")]


@pytest.mark.parametrize(("mode", "state"), [(0o700, "ok"), (0o750, "warn"), (0o755, "warn")])
def test_a_folder_that_others_may_look_into(folder, mode, state):
    """It holds names."""
    folder.chmod(mode)
    assert found(folder, "permissions")[0][0] == state


# ------------------------------------------------------------------------------ the stores
def test_a_damaged_file_of_records(folder, records):
    """SQLite's own quick check finds a page that holds nonsense."""
    records.close()
    file = folder / "records.sqlite"
    content = bytearray(file.read_bytes())
    page = int.from_bytes(content[16:18], "big")
    content[5 * page : 9 * page] = b"\xff" * (4 * page)
    file.write_bytes(content)
    ((state, sentence),) = found(folder, "records")
    assert state == "fail"
    assert "damaged" in sentence


def test_records_on_a_server_that_is_away(folder):
    """One sentence without a password; what needs them is not known."""
    pytest.importorskip("psycopg", reason="the extra 'postgres' is not installed")
    with (folder / "practice.toml").open("a") as settings:
        settings.write('\n[records]\nurl = "postgresql+psycopg://nobody@127.0.0.1:9/none"\n')
    checks = examine(folder, now=NOW)
    (fault,) = [one for one in checks if one.name == "records"]
    assert fault.state == "fail"
    assert "127.0.0.1" in fault.sentence
    assert states(checks)["runs"] == {"not known"}


# ------------------------------------------------------------------------------ the work
def ended(records, job, state, minutes_later=0):
    at = NOW + timedelta(minutes=minutes_later)
    run = start_run(records, job, local_date=NOW.date(), started_at=at, started_by="clock")
    finish_run(records, run.id, state=state, n_rows=None, seconds=1, result="status 500")


def test_runs_that_failed_or_were_killed(folder, records):
    """The last run of each job counts."""
    ended(records, "learn", "failed")
    ended(records, "plan", "failed")
    ended(records, "plan", "done", minutes_later=1)
    ended(records, "issue", "swept")
    told = found(folder, "runs")
    assert [state for state, _ in told] == ["warn", "warn"]
    assert told[0][1].startswith("issue of 2026-11-26 21:00 KST was killed")
    assert told[1][1] == "learn of 2026-11-26 21:00 KST failed: status 500"


def test_a_run_that_nobody_is_at_work_on(folder, practice, records):
    """While the mark of a running job is held it is under way; after that it was killed."""
    start_run(records, "issue", local_date=NOW.date(), started_at=NOW)
    with running(practice):
        assert found(folder, "runs")[0][0] == "ok"
    ((state, sentence),) = found(folder, "runs")
    assert state == "warn"
    assert "no process of this folder is at work on it" in sentence


def test_the_clock(folder, practice, records):
    """Whether it runs, and since when."""
    assert found(folder, "clock")[0][0] == "warn"
    with one_clock(practice, records):
        ((state, sentence),) = found(folder, "clock")
    assert state == "ok"
    assert sentence.startswith("it runs since 2026-11-26 21:00 KST: process ")


def test_a_request_that_waits(folder, practice, records):
    """Ten minutes are no reason; what to do is to start the clock, or to wait for it."""
    ask(records, "issue", {}, asked_by="command line", asked_at=NOW - timedelta(minutes=10))
    assert found(folder, "requests")[0][0] == "ok"
    now = NOW + timedelta(minutes=1)
    assert found(folder, "requests", now) == [("warn", "1 wait for up to 11 min (issue)")]
    (asked,) = [one for one in examine(folder, now=now) if one.name == "requests"]
    assert asked.what_to_do == "start the clock"


def test_what_waits_for_a_person(folder, records):
    """A held import, a trouble that goes on."""
    with records.writing() as connection:
        connection.exec_driver_sql("UPDATE imported_file SET state = 'held'")
    raise_notice(records, "pull nasa_power", "status 500", now=NOW)
    assert found(folder, "imports")[0][0] == "warn"
    assert found(folder, "notices") == [
        ("warn", "pull nasa_power, since 2026-11-26 21:00 KST: status 500")
    ]


def test_a_source_that_was_never_pulled(folder):
    """And one that is not there for real."""
    with (folder / "practice.toml").open("a") as settings:
        settings.write('\n[[pull]]\nsource = "nasa_power"\n')
    assert found(folder, "sources") == [("warn", "nasa_power was never pulled")]
    with (folder / "practice.toml").open("a") as settings:
        settings.write('\n[[pull]]\nsource = "nasa_pover"\n')
    ((state, sentence),) = found(folder, "sources")
    assert state == "fail"
    assert "did you mean 'nasa_power'" in sentence


# ------------------------------------------------------------------------------ the command
def test_the_command_tells_it_to_people_and_to_machines(forepaw, folder):
    """The same checks; the exit code says the worst."""
    done = forepaw("doctor", "--practice", folder)
    assert done.code == 1
    assert "no clock runs on this folder" in done.out
    assert "It works, and something wants attention." in done.out
    told = json.loads(forepaw("doctor", "--practice", folder, "--json").out)
    assert told["exit_code"] == 1
    by_name = {one["name"]: one for one in told["checks"]}
    assert by_name["clock"] == {
        "name": "clock",
        "state": "warn",
        "sentence": "no clock runs on this folder, so nothing is done",
        "what_to_do": "start it: forepaw serve, as a service",
    }
    break_settings(folder)
    assert forepaw("doctor", "--practice", folder).code == 2

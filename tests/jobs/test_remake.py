"""An issue is made again from what it pinned, in another process."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import insert

from forecast.issuing import read_issue
from forecast.practice import open_practice
from forecast.records import tables
from forecast.records.branches import branches
from forecast.records.issues import issues
from forecast.remaking import remake
from jobs.issue import issue, issue_today
from jobs.learn import learn
from jobs.opening import open_all


@pytest.fixture(scope="module")
def issued(clinic):
    """Issue a forecast of exposure from the small practice."""
    practice = open_practice(clinic)
    records, climate = open_all(practice)
    model, known = learn(practice, records, climate, origin=date(2022, 4, 1), say=lambda _: None)
    made = issue(practice, records, climate, model=model, known=known, say=lambda _: None)
    records.close()
    return made


def remake_in_another_process(folder, issue_id):
    """Run the command in a process of its own."""
    command = "from jobs.cli import program; program()"
    return subprocess.run(
        [sys.executable, "-c", command, "remake", issue_id, "--practice", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.long
def test_a_second_process_makes_the_same_arrays(clinic, issued):
    """Bit for bit: same weather, seed, settings and versions."""
    again = remake_in_another_process(clinic, issued.id)
    assert again.returncode == 0, again.stderr
    assert "bit for bit" in again.stdout


@pytest.mark.long
def test_the_settings_of_then_are_used(clinic, issued):
    """Changing practice.toml afterwards does not change what an issue was made of."""
    settings = clinic / "practice.toml"
    good = settings.read_text()
    settings.write_text(good.replace("seed = 1", "seed = 2"))
    try:
        again = remake_in_another_process(clinic, issued.id)
    finally:
        settings.write_text(good)
    assert again.returncode == 0, again.stdout


def test_a_row_lost_to_a_kill_is_written_at_the_next_opening(clinic, issued):
    """File first, row second: a file without its row is completed from what it tells."""
    practice = open_practice(clinic)
    records, _ = open_all(practice)
    row = next(r for r in issues(records) if r.id == issued.id)
    with records.writing() as connection:
        connection.exec_driver_sql("DELETE FROM issue_region")
        connection.exec_driver_sql("DELETE FROM issue")
    records.close()
    records, _ = open_all(practice)
    assert row in issues(records)
    records.close()


def test_a_partial_file_is_swept_and_a_spoilt_one_set_aside(clinic, issued):
    """What a killed process left half written is never read; draws go with their issue."""
    folder, draws = clinic / "issued", clinic / "issued" / "draws"
    (folder / ".2022-04-01-abc.nc.123.part").write_bytes(b"half")
    (draws / ".2022-04-01-abc.nc.123.part").write_bytes(b"half")
    (folder / "2022-04-01-0123456789ab.nc").write_bytes(issued.file.read_bytes()[:2000])
    (draws / "2022-04-01-0123456789ab.nc").write_bytes(b"whole")
    (draws / "2022-04-01-ab0123456789.nc").write_bytes(b"killed before the issue was written")
    records, _ = open_all(open_practice(clinic))
    records.close()
    assert not [*folder.glob(".*.part"), *draws.glob(".*.part")]
    assert (folder / "2022-04-01-0123456789ab.broken").exists()
    assert (draws / "2022-04-01-0123456789ab.broken").exists()
    assert [path.name for path in draws.glob("*.nc")] == [issued.file.name]
    assert read_issue(issued.file).hash == issued.hash


@pytest.mark.long
def test_an_issue_is_made_again_by_the_closures_that_were_listed_then(practice_folder):
    """What was listed, or taken back, since does not count; the week closed has no visit."""
    practice = open_practice(practice_folder, now=datetime(2022, 6, 28, 20, 10, tzinfo=UTC))
    records, climate = open_all(practice)
    monday = date(2022, 7, 4)
    rows = [
        {"branch_id": branch, "date": monday + timedelta(days=n), "reason": "leave", "full": False}
        for branch in branches(records)
        for n in range(7)
    ]
    with records.writing() as connection:
        connection.execute(insert(tables.closure), rows)
    done = issue_today(practice, records, climate, origin=practice.today, say=lambda _: None)
    closed = done.issue.forecast.sel(week=np.datetime64(monday))
    assert (closed["open_share"] == 0.0).all()
    assert float(closed["visits"].max()) == float(closed["consultations"].max()) == 0.0
    assert float(closed["demand"].mean()) > 0
    with records.writing() as connection:
        connection.execute(tables.closure.delete())
    again = remake(practice, records, climate, issue_id=done.issue.id)
    assert again.same_arrays
    assert again.same_model
    records.close()

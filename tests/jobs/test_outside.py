"""What the jobs lend to the pages: sources, jobs and the clock as plain values."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from forecast.climate import open_climate
from forecast.practice import create_practice, open_practice, template
from forecast.records import open_records
from jobs.clock_lock import one_clock
from jobs.outside import REQUEST_KINDS, outside
from jobs.registry import JOBS

NOW = datetime(2023, 3, 1, 1, 0, tzinfo=UTC)  # ten in the morning in Seoul
PULLED = '\n[[pull]]\nsource = "nasa_power"\n'


@pytest.fixture
def practice(tmp_path):
    return create_practice(tmp_path / "practice", template() + PULLED, now=NOW)


@pytest.fixture
def lent(practice):
    records = open_records(practice)
    yield outside(), records, open_climate(practice)
    records.close()


def test_a_source_of_which_nothing_came_is_not_known_to_be_fresh(practice, lent):
    """Neither fresh nor stale, with its terms."""
    given, records, climate = lent
    (row,) = given.sources(practice, records, climate)
    assert (row.id, row.kind, row.newest, row.age_days, row.is_stale) == (
        "nasa_power",
        "weather",
        None,
        None,
        None,
    )
    assert row.terms
    assert row.allowed_days > 0


def test_a_slip_among_the_sources_keeps_no_page_from_being_shown(tmp_path, practice, lent):
    """It is told as not known, with what is wrong, and never as no source."""
    given, records, climate = lent
    practice.settings_file.write_text(template() + PULLED.replace("nasa_power", "no_such"))
    again = open_practice(practice.folder, now=NOW)
    rows, fault = given.told_sources(again, records, climate)
    assert rows == ()
    assert "practice.toml names the source 'no_such' under [[pull]]" in fault


def test_each_job_of_the_practice_is_told_with_what_is_next(practice, lent):
    """Those that its sources give no use for are left out; what is due is due now."""
    given, records, _ = lent
    rows = {row.name: row for row in given.jobs(practice, records)}
    assert "pull weather" in rows
    assert "pull pollen" not in rows
    assert set(rows) <= {job.name for job in JOBS}
    assert rows["pull weather"].next_at == NOW, "never run, so it is made up for"
    assert rows["pull weather"].last_at is None
    assert {kind.kind for kind in REQUEST_KINDS} <= {job.name for job in JOBS}


def test_it_is_known_whether_a_clock_runs(practice, lent):
    """By its lock."""
    given, records, _ = lent
    assert given.clock_runs(practice) is False
    with one_clock(practice, records):
        assert given.clock_runs(practice) is True
    assert given.clock_runs(practice) is False

"""One clock for a practice, on one machine and on one database."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime

import pytest
from sqlalchemy import make_url

from forecast.practice import create_practice, template
from forecast.records import Records, RecordsError, open_records
from jobs.clock_lock import SERVER_LOCK, one_clock, running_clock
from jobs.opening import OpeningError

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)
HOLD = """
import sys
from forecast.practice import open_practice
from forecast.records import open_records
from jobs.clock_lock import SERVER_LOCK, one_clock
practice = open_practice(sys.argv[1])
with one_clock(practice, open_records(practice)):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def practice(tmp_path, database):
    return create_practice(tmp_path / "practice", template() + database, now=NOW)


@pytest.fixture
def records(practice):
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.mark.long
def test_a_second_clock_is_refused_and_told_who_the_first_is(practice, records):
    """By another process; once that has ended, however, there is one again."""
    words = [sys.executable, "-c", HOLD, str(practice.folder)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as first:
        assert first.stdout.readline() == b"held\n"
        told = running_clock(practice)
        assert told.process == first.pid
        with (
            pytest.raises(OpeningError, match=f"process {first.pid} on .*; end that one first"),
            one_clock(practice, records),
        ):
            pass
        first.kill()
    assert running_clock(practice) is None
    with one_clock(practice, records):
        assert running_clock(practice).process == os.getpid()
        assert running_clock(practice).since == NOW
    assert running_clock(practice) is None


def test_nobody_runs_where_there_never_was_a_clock(practice):
    """And looking leaves nothing behind."""
    assert running_clock(practice) is None
    assert not (practice.folder / "clock.lock").exists()


def test_two_folders_on_one_database_have_one_clock(tmp_path, postgresql):
    """As from another machine; other records of the same server are another practice."""
    with postgresql.emptied() as url:
        text = template() + f'\n[records]\nurl = "{url}"\n'
        here, there = (create_practice(tmp_path / name, text, now=NOW) for name in ("a", "b"))
        ours, theirs, others = open_records(here), open_records(there), in_schema(url, "public")
        with one_clock(here, ours) as look:
            look()
            with (
                pytest.raises(OpeningError, match="runs already on these records"),
                one_clock(there, theirs),
            ):
                pass
            with others.holding(SERVER_LOCK) as look_there:
                look_there()
        with one_clock(there, theirs):
            pass
        for one in (ours, theirs, others):
            one.close()


def in_schema(url: str, schema: str) -> Records:
    """Open another schema of the same database."""
    changed = make_url(url).update_query_dict({"options": f"-csearch_path={schema}"})
    return Records(changed.render_as_string())


def test_a_clock_that_lost_its_connection_takes_the_lock_again_or_says_that_it_is_gone(
    tmp_path, postgresql
):
    """The server ends the session; meanwhile another may have come."""
    with postgresql.emptied() as url:
        text = template() + f'\n[records]\nurl = "{url}"\n'
        here, there = (create_practice(tmp_path / name, text, now=NOW) for name in ("a", "b"))
        ours, theirs = open_records(here), open_records(there)

        def cut_off() -> None:
            words = "SELECT pg_terminate_backend(l.pid) FROM pg_locks l JOIN pg_database d "
            words += "ON d.oid = l.database AND d.datname = current_database() "
            words += "WHERE l.locktype = 'advisory' AND l.pid <> pg_backend_pid()"
            with theirs.reading() as connection:
                assert connection.exec_driver_sql(words).all() == [(True,)]

        with one_clock(here, ours) as look:
            cut_off()
            look()
            with pytest.raises(OpeningError), one_clock(there, theirs):
                pass
            cut_off()
            with (
                one_clock(there, theirs),
                pytest.raises(RecordsError, match="another process holds now"),
            ):
                look()
        ours.close()
        theirs.close()

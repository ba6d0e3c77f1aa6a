"""Requests: each is claimed once, by one claimer; what a killed clock left is settled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import pytest

from forecast.records import RecordsError, open_records
from forecast.records.requests import (
    ask,
    claim,
    finish_request,
    note_run,
    report_progress,
    request,
    requests,
    settle_requests,
)
from forecast.records.runs import finish_run, start_run

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)

LATER = NOW + timedelta(minutes=5)


def asked(records, kind="issue", arguments=None, minutes=0):
    at = NOW + timedelta(minutes=minutes)
    return ask(records, kind, arguments or {}, asked_by="command line", asked_at=at)


def test_the_oldest_is_claimed_first_and_each_once(records):
    """By when they were asked, not by when they were written down."""
    second, first = asked(records, "plan", minutes=2), asked(records, "issue", minutes=1)
    claimed = [claim(records, now=LATER), claim(records, now=LATER)]
    assert [one.id for one in claimed] == [first.id, second.id]
    assert {(one.state, one.claimed_at) for one in claimed} == {("claimed", LATER)}
    assert claim(records, now=LATER) is None


def test_what_waits_already_is_not_asked_twice(records):
    """The same job with the same arguments; with others, or once it is claimed, it is another."""
    first = asked(records, "issue", {"as_of": "2024-05-01"})
    assert asked(records, "issue", {"as_of": "2024-05-01"}, minutes=1) == first
    assert asked(records, "issue", {"as_of": "2024-05-02"}, minutes=1).id != first.id
    claim(records, now=LATER)
    assert asked(records, "issue", {"as_of": "2024-05-01"}, minutes=2).id != first.id


def test_claimers_at_the_same_time_get_each_request_once(practice, records):
    """Four of them, forty requests, no request twice and none left."""
    ids = {asked(records, "issue", {"n": n}).id for n in range(40)}

    def claim_all(_: int) -> list[str]:
        own, found = open_records(practice), []
        while (one := claim(own, now=LATER)) is not None:
            found.append(one.id)
        own.close()
        return found

    with ThreadPoolExecutor(4) as pool:
        found = [one for some in pool.map(claim_all, range(4)) for one in some]
    assert len(found) == 40
    assert set(found) == ids


def test_a_request_tells_how_far_it_is_and_how_it_ended(records):
    """Its run, its share, its sentence; and nothing changes once it has ended."""
    one = asked(records)
    claim(records, now=NOW)
    run = start_run(records, "issue", local_date=date(2024, 5, 31), started_at=NOW)
    note_run(records, one.id, run.id)
    report_progress(records, one.id, 0.25)
    assert (request(records, one.id).run_id, request(records, one.id).progress) == (run.id, 0.25)
    finish_request(records, one.id, state="done", result="issue 1", now=LATER)
    ended = request(records, one.id)
    assert (ended.state, ended.result, ended.ended_at) == ("done", "issue 1", LATER)
    with pytest.raises(RecordsError, match="no such request is claimed"):
        finish_request(records, one.id, state="failed", result="no", now=LATER)
    assert request(records, one.id) == ended


def test_only_what_is_claimed_can_be_reported_on(records):
    """And it ends in a state that is an end."""
    one = asked(records)
    with pytest.raises(RecordsError, match="no such request is claimed"):
        report_progress(records, one.id, 0.5)
    claim(records, now=NOW)
    with pytest.raises(RecordsError, match="done, failed, refused"):
        finish_request(records, one.id, state="waiting", result="", now=LATER)
    with pytest.raises(RecordsError, match="no such request"):
        request(records, "nothing")


@pytest.mark.parametrize(
    ("run_state", "becomes"),
    [
        (None, "waiting"),  # its run never began
        ("stopped", "waiting"),  # the clock was ended, and the run left off
        ("done", "done"),
        ("completed", "done"),
        ("failed", "failed"),
        ("swept", "failed"),  # nobody may want it by now
    ],
)
def test_what_a_killed_clock_left_claimed_is_settled(records, run_state, becomes):
    """By what became of its run."""
    one, other = asked(records, "issue"), asked(records, "plan", minutes=1)
    claim(records, now=NOW)
    if run_state is not None:
        run = start_run(records, "issue", local_date=date(2024, 5, 31), started_at=NOW)
        note_run(records, one.id, run.id)
        finish_run(records, run.id, state=run_state, n_rows=None, seconds=0.0, result="")
    (said,) = settle_requests(records, now=LATER)
    assert "issue" in said
    assert becomes in said
    settled = request(records, one.id)
    assert settled.state == becomes
    assert (settled.ended_at is None) == (becomes == "waiting")
    if becomes == "waiting":
        assert (settled.run_id, settled.claimed_at) == (None, None)
        assert claim(records, now=LATER).id == one.id
    assert [left.id for left in requests(records, states=("waiting",))] == [other.id]

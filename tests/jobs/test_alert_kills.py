"""Killed at any moment while alerts go out: nobody gets one twice, and nobody is forgotten.

The mail server lives in this process and counts what it took; the sender is another one, which is
killed. Five kills, fifty where FOREPAW_LONG is ``whole``.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections import Counter

import pytest
from alert_world import NOW, Person, add_approved, add_people, make_practice, opened, settings
from mail_server import mail_server

from forecast.alerts.doubts import doubts
from forecast.alerts.sending import send_off
from forecast.records import tables
from jobs.alert_delivery import deliver

KILLS = 50 if os.environ.get("FOREPAW_LONG") == "whole" else 5
PER_KILL = 120
LONGEST = 0.8  # s of work before a kill; the whole of it hands over about so many
SENDER = """
import sys
from datetime import datetime
from forecast.practice import open_practice
from forecast.records import open_records
from jobs.alert_delivery import deliver
practice = open_practice(sys.argv[1], now=datetime.fromisoformat(sys.argv[2]))
records = open_records(practice)
print("working", flush=True)
deliver(practice, records, say=lambda words: None, environment={})
"""


def kill_a_sender(folder, after: float) -> bool:
    """Let another process send, and kill it after some seconds; say whether it was at work."""
    words = [sys.executable, "-c", SENDER, str(folder), NOW.isoformat()]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as sender:
        assert sender.stdout is not None
        assert sender.stdout.readline() == b"working\n", sender.communicate()
        try:
            sender.wait(after)
        except subprocess.TimeoutExpired:
            sender.send_signal(signal.SIGKILL)
        _, errors = sender.communicate()
        assert sender.returncode in (0, -signal.SIGKILL), errors
        return sender.returncode != 0


@pytest.mark.long
def test_killed_at_any_moment_nobody_gets_it_twice_and_nobody_is_forgotten(tmp_path, capsys):
    """The receiver's counts against the records, owner by owner, after so many kills."""
    rng, n_people = random.Random(12), KILLS * PER_KILL
    with mail_server() as (taken, port):
        # one in twenty has no mailbox, so that a kill may fall on a refusal too
        taken.answer_to_recipient = lambda address: (
            "550 5.1.1 no" if int(address.split("@")[0][1:]) % 20 == 0 else "250 OK"
        )
        practice = make_practice(tmp_path / "practice", settings(mail_port=port))
        records = opened(practice)
        add_people(records, [Person(f"o{n}", f"o{n}@x.example") for n in range(n_people)])
        add_approved(records)
        send_off(practice, records, "a1", by=None)
        n_killed = sum(kill_a_sender(practice.folder, LONGEST * rng.random()) for _ in range(KILLS))
        deliver(practice, records, say=lambda _: None, environment={}, seconds=600)
        got = Counter(to.split("@")[0] for one in taken.recipients for to in one)
    message = tables.alert_message
    with records.reading() as connection:
        rows = connection.execute(message.select()).all()
    state = {row.owner_id: row.state for row in rows}
    n_doubts = len(doubts(records))
    records.close()
    assert len(rows) == len(state) == n_people
    assert set(got.values()) == {1}, "somebody got it twice"
    refused = {f"o{n}" for n in range(0, n_people, 20)}
    for owner, how in state.items():
        if how == "sent":
            assert got[owner] == 1
        elif how == "refused":
            assert owner in refused
            assert got[owner] == 0
        else:
            assert how == "in doubt"  # it may have come or not: a person decides
    assert n_doubts <= n_killed
    with capsys.disabled():
        came = sum(got[owner] for owner, how in state.items() if how == "in doubt")
        print(
            f"\n{n_killed} of {KILLS} senders killed at work; {n_people} owners: "
            f"{Counter(state.values())}; of those in doubt {came} had come"
        )

"""An alert that was let go, and runs of the job that hands it over, for tests."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from alert_world import Person, add_approved, add_people, make_practice, opened, states

from forecast.alerts.sending import delivery_rules, send_off
from forecast.records import Records
from jobs.alert_delivery import Delivered, deliver

PEOPLE = [Person(f"o{n}", f"o{n}@x.example") for n in range(5)]


@contextmanager
def sent_off(folder, text: str, people=PEOPLE, **changes) -> Iterator[tuple]:
    """Make a practice of some people whose alert was let go."""
    practice = make_practice(folder / "practice", text)
    records = opened(practice)
    add_people(records, people)
    add_approved(records, **changes)
    send_off(practice, records, "a1", by=None)
    yield practice, records
    records.close()


def run(practice, records: Records, **environment) -> Delivered:
    """Hand over what is due, with some secrets."""
    return deliver(practice, records, say=lambda _: None, environment=environment)


def got(taken) -> Counter[str]:
    """Count the mails a server took, by recipient."""
    return Counter(to for one in taken.recipients for to in one)


def by_state(records: Records) -> Counter[str]:
    """Count the messages of an alert, by state."""
    return Counter(state for state, _ in states(records).values())


def quick_rules(practice, *, whole: float = 5.0, answer: float = 5.0):
    """Return rules under which a message, or a word of the server, may take so long [s]."""
    return replace(delivery_rules(practice), whole=whole, answer=answer)

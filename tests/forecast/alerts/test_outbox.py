"""The outbox on both databases: lists, claims one at a time, doubts, and keys that hold."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from alert_world import (
    NOW,
    Person,
    Pet,
    add_approved,
    add_people,
    make_practice,
    opened,
    settings,
    states,
)
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from forecast.alerts import lists, sending
from forecast.alerts.doubts import decide_doubt, doubts, try_again
from forecast.alerts.lists import drawn_lists, keep_list
from forecast.alerts.mails import owner_mail
from forecast.alerts.outbox import Ended, Wanted, claim_next, keep_end, put_in_doubt
from forecast.alerts.recipients import placing_of
from forecast.alerts.refusals import Refusals
from forecast.alerts.sending import draw_lists, preview_list, send_off, withdraw_alert
from forecast.alerts.unsubscribing import record_consent
from forecast.records import tables
from forecast.records.alerts import alert
from forecast.records.dogs import keep_language
from forecast.records.signing_keys import ADDRESSES, signing_key

PEOPLE = [
    *(Person(f"o{n}", f"o{n}@x.example") for n in range(3)),
    Person("mate", "o1@x.example", consent=None),
]


@pytest.fixture
def world(tmp_path, database) -> Iterator[tuple]:
    """Give a practice whose alert was let go, with a household of two."""
    practice = make_practice(tmp_path / "practice", settings() + database)
    records = opened(practice)
    add_people(records, PEOPLE)
    add_approved(records)
    send_off(practice, records, "a1", by=None)
    yield practice, records
    records.close()


def claim(practice, records, ended=None, refusals=None):
    wanted = Wanted("folder", drawn_lists(records), ["north"])
    placing = placing_of(practice, records)
    refusals = refusals or Refusals(signing_key(records, ADDRESSES, now=NOW))
    day = practice.today
    return claim_next(records, ended, wanted, placing=placing, refusals=refusals, day=day, now=NOW)


def test_a_message_is_claimed_once_and_its_end_kept_with_the_next(world):
    """Three households, three claims, none a second time."""
    practice, records = world
    assert claim(practice, records) is None  # no list, no claim
    draw_lists(practice, records)
    seen, ended = [], None
    while (held := claim(practice, records, ended)) is not None:
        assert states(records)[f"o{held.address.spec[1]}"][0] == "sending"
        seen.append(held.address.spec)
        ended = Ended(held, "sent")
    assert sorted(seen) == [f"o{n}@x.example" for n in range(3)]
    assert {state for state, _ in states(records).values()} == {"sent", "left out"}
    assert states(records)["mate"] == ("left out", "told by another message to the same address")


def test_a_message_knows_the_language_of_whom_it_goes_to_and_its_mail_begins_with_it(world):
    """Of an alert in several; where none is the owner's, the practice's own comes first."""
    practice, records = world
    draw_lists(practice, records)
    with records.writing() as connection:
        keep_language(connection, "o1", "de")
    held, ended = {}, None
    while (one := claim(practice, records, ended)) is not None:
        held[one.address.spec], ended = one.language, Ended(one, "sent")
    assert held == {"o0@x.example": None, "o1@x.example": "de", "o2@x.example": None}
    in_two = add_approved(records, "a2", kind="peak near", languages=("en", "de"))
    for first, order in (("de", ["de", "en"]), (None, ["en", "de"]), ("fr", ["en", "de"])):
        mail = owner_mail(practice, records, in_two, "alert", first=first)
        assert [part.language for part in mail.parts] == order
        assert [foot.language for foot in mail.feet] == order


def test_what_a_dead_process_left_is_in_doubt_and_stays_so(world):
    """It is not claimed again; only a person's word sends it once more."""
    practice, records = world
    draw_lists(practice, records)
    held = claim(practice, records)
    assert put_in_doubt(records, now=NOW) == 1
    keep_end(records, Ended(held, "sent"), now=NOW)  # too late: it is not this process's any more
    (doubt,) = doubts(records, "a1")
    assert doubt.message_id == held.id
    others = [claim(practice, records).id, claim(practice, records).id]
    assert held.id not in others
    assert claim(practice, records) is None
    assert decide_doubt(records, held.id, arrived=False, by=None, now=NOW) == "waiting"
    assert claim(practice, records).id == held.id


def test_a_half_list_is_drawn_anew_and_a_whole_one_never(world):
    """A process died while it wrote the list; the keys refuse anybody twice."""
    practice, records = world
    drawn = preview_list(practice, records, alert(records, "a1"))
    keep_list(records, alert(records, "a1"), drawn, way="folder", partner=True, now=NOW)
    with records.writing() as connection:
        connection.execute(tables.alert_list.delete())
    assert draw_lists(practice, records) == ["a1"]
    assert len(states(records)) == 4
    assert draw_lists(practice, records) == []
    message = tables.alert_message
    with records.reading() as connection:
        row = connection.execute(message.select().where(message.c.owner_id == "o0")).one()
    with pytest.raises(IntegrityError), records.writing() as connection:
        connection.execute(message.insert().values(dict(row._mapping) | {"id": "another"}))


def test_a_doubt_that_is_settled_after_the_withdrawal_is_told_too(world):
    """It did arrive: so that it is withdrawn is told; and what was refused is not tried again."""
    practice, records = world
    draw_lists(practice, records)
    held = claim(practice, records)
    refused = claim(practice, records)
    keep_end(records, Ended(refused, "refused", "code 550"), now=NOW)
    put_in_doubt(records, now=NOW)
    withdraw_alert(practice, records, "a1", why="wrong", by=None)
    draw_lists(practice, records)
    assert claim(practice, records) is None  # nobody got it for certain
    decide_doubt(records, held.id, arrived=True, by=None, now=NOW)
    assert try_again(records, "a1", by=None, now=NOW) == 1
    told = claim(practice, records)
    assert (told.news, told.address.spec) == ("withdrawal", held.address.spec)
    assert claim(practice, records, Ended(told, "sent")) is None
    assert states(records)[f"o{refused.address.spec[1]}"] == (
        "left out",
        "alert withdrawn before",
    )


def test_a_doubt_that_is_settled_while_the_withdrawal_list_is_written_is_told_too(
    world, monkeypatch
):
    """It is on the list once: neither forgotten, nor there a second time."""
    practice, records = world
    draw_lists(practice, records)
    held, other = claim(practice, records), claim(practice, records)
    keep_end(records, Ended(other, "sent"), now=NOW)
    put_in_doubt(records, now=NOW)
    withdraw_alert(practice, records, "a1", why="wrong", by=None)
    write = lists._keep_rows

    def write_slowly(*rows):
        write(*rows)
        decide_doubt(records, held.id, arrived=True, by=None, now=NOW)

    monkeypatch.setattr(lists, "_keep_rows", write_slowly)
    assert draw_lists(practice, records) == ["a1"]
    told, ended = [], None
    while (one := claim(practice, records, ended)) is not None:
        told.append((one.news, one.address.spec))
        ended = Ended(one, "sent")
    assert sorted(told) == sorted(("withdrawal", one.address.spec) for one in (held, other))


def test_nothing_goes_out_or_is_withdrawn_without_its_line_of_the_audit(world, monkeypatch):
    """Both stand or neither does; what waits is left out in the same transaction."""
    practice, records = world
    draw_lists(practice, records)

    def fails(*_, **__):
        raise OSError("the disk is full")

    monkeypatch.setattr(sending, "note", fails)
    with pytest.raises(OSError, match="full"):
        withdraw_alert(practice, records, "a1", why="a slip", by=None)
    assert alert(records, "a1").state == "sending"
    assert states(records)["o0"][0] == "waiting"
    add_approved(records, "a2")
    with pytest.raises(OSError, match="full"):
        send_off(practice, records, "a2", by=None)
    assert alert(records, "a2").state == "approved"


def test_a_message_does_not_name_an_owner_who_is_gone(world):
    """The household is written to because of the other one, who said yes too."""
    practice, records = world
    answer = {"owner_id": "mate", "what": "messages", "answer": "yes", "date": NOW.date()}
    gone = {"owner_id": "o1", "status": "dead", "date": None}
    draw_lists(practice, records)
    with records.writing() as connection:
        connection.execute(tables.consent.insert(), answer)
        connection.execute(tables.owner_status.insert(), gone)
    named = {}
    while (held := claim(practice, records)) is not None:
        named[held.address.spec] = held.name
    assert named["o1@x.example"] == ""
    assert named["o0@x.example"] != ""


def test_a_no_at_the_address_counts_though_its_owner_is_on_no_list(world):
    """Somebody at the address has a dog elsewhere, and says no once the list is drawn."""
    practice, records = world
    draw_lists(practice, records)
    refusals = Refusals(signing_key(records, ADDRESSES, now=NOW))
    held = claim(practice, records, refusals=refusals)
    other = "o2" if held.address.spec.startswith("o0") else "o0"
    add_people(records, [Person("far", f"{other.upper()}@X.example", pets=(Pet("south"),))])
    record_consent(records, "K-far", "no", by=None, now=NOW, today=practice.today)
    while (held := claim(practice, records, Ended(held, "sent"), refusals)) is not None:
        assert not held.address.spec.startswith(other)
    assert states(records)[other] == ("left out", "said no to messages")
    assert [state for state, _ in states(records).values()].count("sent") == 2


def test_what_is_tried_again_is_too_late_once_its_first_week_is_over(world):
    """Also of an alert of which nothing waited any more."""
    practice, records = world
    draw_lists(practice, records)
    while (held := claim(practice, records)) is not None:
        keep_end(records, Ended(held, "refused", "not now"), now=NOW)
    assert sending.end_sent(records) == ["a1"]
    late = NOW + timedelta(days=60)
    assert sending.overdue_alerts(practice, records, NOW) == set()
    assert sending.overdue_alerts(practice, records, late) == {"a1"}


def test_a_yes_takes_back_nobody_elses_no(world):
    """One of a house unsubscribed, the other's mail came back: a yes lifts what came back alone."""
    practice, records = world
    stops = [("o1", "bounced", "m1"), ("mate", "unsubscribed", "m2")]
    with records.writing() as connection:
        for owner_id, reason, name in stops:
            row = {"id": name, "owner_id": owner_id, "address_key": "k", "reason": reason}
            connection.execute(tables.alert_stop.insert(), row | {"at": NOW})
    record_consent(records, "K-o1", "yes", by=None, now=NOW, today=practice.today)
    query = select(tables.alert_stop.c.id).where(tables.alert_stop.c.lifted_at.is_(None))
    with records.reading() as connection:
        assert list(connection.scalars(query)) == ["m2"]

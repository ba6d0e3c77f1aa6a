"""What waits and cannot go: listed with why, until practice.toml has it again or it is left out."""

from __future__ import annotations

import pytest
from alert_world import (
    NOW,
    Person,
    add_approved,
    add_people,
    make_practice,
    opened,
    settings,
    states,
)

from forecast.accounts.audit import entries
from forecast.alerts.sending import SendingError, draw_lists, has_messages, send_off
from forecast.alerts.stranded import leave_out_stranded, stranded, tell_of_stranded
from forecast.practice import open_practice
from forecast.records.alerts import alert
from forecast.records.notices import notices

NORTH = settings(webhook="https://partner.example/x")
ELSEWHERE = settings(regions=(("south", "Europe/Berlin"),))


@pytest.fixture
def world(tmp_path):
    """Give a practice whose alert waits for two households and a partner."""
    practice = make_practice(tmp_path / "practice", NORTH)
    records = opened(practice)
    add_people(records, [Person(f"o{n}", f"o{n}@x.example") for n in range(2)])
    add_approved(records)
    send_off(practice, records, "a1", by=None)
    draw_lists(practice, records)
    yield practice, records
    records.close()


def at(practice, text: str):
    practice.settings_file.write_text(text, encoding="utf-8")
    return open_practice(practice.folder, now=NOW)


def open_notices(records) -> list[str]:
    return [one.sentence for one in notices(records, open_only=True)]


def test_a_region_that_is_gone_keeps_its_messages_until_a_person_decides(world):
    """Told with how many and why; put back, they go on; left out, each says why, and who did."""
    practice, records = world
    assert stranded(practice, records) == []
    with pytest.raises(SendingError, match="nothing of that kind"):
        leave_out_stranded(practice, records, "a1", by="ida")
    gone = at(practice, ELSEWHERE)
    assert [(one.way, one.n) for one in stranded(gone, records)] == [("folder", 2), ("webhook", 1)]
    assert not has_messages(gone, records)
    tell_of_stranded(gone, records, now=NOW)
    (told,) = open_notices(records)
    assert "3 messages of alerts wait and cannot go: practice.toml has no region 'north'" in told
    back = at(practice, NORTH)
    tell_of_stranded(back, records, now=NOW)
    assert open_notices(records) == []
    assert has_messages(back, records)
    assert leave_out_stranded(at(practice, ELSEWHERE), records, "a1", by="ida") == 3
    why = ("left out", "its region is not in practice.toml any more")
    assert states(records) == dict.fromkeys(("o0", "o1", "partner"), why)
    done = entries(records, newest=1)[0]
    assert (done.action, done.account_id) == ("messages of an alert that cannot go left out", "ida")


def test_a_way_that_is_gone_strands_its_messages_alone(world):
    """The partner's address was taken out of practice.toml; owners are written to as before."""
    practice, records = world
    without = at(practice, settings())
    (one,) = stranded(without, records, "a1")
    assert one.sentence == (
        "1 message waits of alert a1 and cannot go: practice.toml has no [alerts.webhook] any more"
    )
    assert leave_out_stranded(without, records, "a1", by=None) == 1
    assert {key: state for key, (state, _) in states(records).items()} == {
        "o0": "waiting",
        "o1": "waiting",
        "partner": "left out",
    }


def test_an_alert_of_a_region_that_is_gone_is_not_let_go(world):
    """It stays approved; the sentence says what to do."""
    practice, records = world
    add_approved(records, "a2")
    with pytest.raises(SendingError, match=r"practice\.toml any more: put it back"):
        send_off(at(practice, ELSEWHERE), records, "a2", by=None)
    assert alert(records, "a2").state == "approved"

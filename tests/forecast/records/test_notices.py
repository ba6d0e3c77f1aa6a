"""Notices: told once when it begins and once when it is over, on each way out at most once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest

from forecast.records import RecordsError
from forecast.records.notices import (
    TellingRules,
    claim_to_tell,
    deliveries,
    end_notice,
    mark_told,
    notices,
    raise_notice,
    to_tell,
)

MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
RULES = TellingRules(
    waits=(MINUTE, 5 * MINUTE, HOUR),
    lasting=HOUR,
    settled_after=HOUR,
    forgotten_after=timedelta(days=7),
    dead_after=15 * MINUTE,
)


@pytest.fixture
def start(practice):
    return practice.now


def news(records, now, channel="mail"):
    return [(one.notice.about, one.news) for one in to_tell(records, channel, now=now, rules=RULES)]


def deliver(records, now, state="told", channel="mail", error=None):
    """Take what there is to tell and say how it went."""
    taken = claim_to_tell(records, channel, now=now, rules=RULES)
    mark_told(records, taken, channel, state=state, now=now, error=error)
    return [(one.notice.about, one.news) for one in taken]


# ------------------------------------------------------------------------------ what goes on
def test_the_same_trouble_again_is_no_news_and_brings_the_sentence_up_to_date(records, start):
    """One row, since its first moment, with the newest words."""
    assert raise_notice(records, "pull a", "status 500", now=start)
    assert not raise_notice(records, "pull a", "refused", now=start + HOUR)
    (held,) = notices(records)
    assert (held.about, held.sentence, held.since, held.over_at) == (
        "pull a",
        "refused",
        start,
        None,
    )


def test_two_troubles_are_two_notices(records, start):
    """Each ends by itself."""
    raise_notice(records, "pull a", "x", now=start)
    raise_notice(records, "issue", "y", now=start)
    assert end_notice(records, "pull a", now=start + HOUR)
    assert [one.about for one in notices(records, open_only=True)] == ["issue"]
    assert len(notices(records)) == 2


def test_the_end_of_what_does_not_go_on_is_none(records, start):
    """Neither of what never was nor of what has ended; the first end stays."""
    assert not end_notice(records, "pull a", now=start)
    raise_notice(records, "pull a", "x", now=start)
    assert end_notice(records, "pull a", now=start + HOUR)
    assert not end_notice(records, "pull a", now=start + 2 * HOUR)
    assert notices(records)[0].over_at == start + HOUR


@pytest.mark.parametrize(
    ("gap", "n_notices"), [(timedelta(minutes=59), 1), (timedelta(minutes=60), 2)]
)
def test_what_is_back_soon_goes_on_as_the_same(records, start, gap, n_notices):
    """Below an hour it is the same trouble; from then on a new one."""
    raise_notice(records, "pull a", "x", now=start)
    end_notice(records, "pull a", now=start + HOUR)
    back = start + HOUR + gap
    assert raise_notice(records, "pull a", "x", now=back, same_within=HOUR) == (n_notices == 2)
    assert len(notices(records)) == n_notices
    assert len(notices(records, open_only=True)) == 1


def test_two_who_raise_the_same_at_once_raise_one(records, start):
    """On either database."""
    with ThreadPoolExecutor(8) as pool:
        new = list(pool.map(lambda _: raise_notice(records, "a", "x", now=start), range(16)))
    assert sum(new) == 1
    assert len(notices(records)) == 1


# ------------------------------------------------------------------------------ what is told
def test_a_trouble_is_told_once_it_lasts_and_once_it_is_over_for_good(records, start):
    """Nothing for an hour; the beginning, once; nothing; its end, an hour later, once."""
    raise_notice(records, "pull a", "x", now=start)
    assert news(records, start + 59 * MINUTE) == []
    assert deliver(records, start + HOUR) == [("pull a", "began")]
    assert news(records, start + timedelta(days=30)) == []
    end_notice(records, "pull a", now=start + 5 * HOUR)
    assert news(records, start + 5 * HOUR + 59 * MINUTE) == []
    assert deliver(records, start + 6 * HOUR) == [("pull a", "over")]
    assert news(records, start + 7 * HOUR) == []
    (held,) = notices(records)
    assert (held.told_at, held.told_over_at) == (start + HOUR, start + 6 * HOUR)


def test_a_hiccup_is_never_told(records, start):
    """It was over before it lasted for an hour."""
    raise_notice(records, "pull a", "x", now=start)
    end_notice(records, "pull a", now=start + 59 * MINUTE)
    assert news(records, start + 5 * HOUR) == []


def test_trouble_that_comes_and_goes_is_told_once(records, start):
    """Half an hour of peace between is none."""
    raise_notice(records, "pull a", "x", now=start)
    assert deliver(records, start + HOUR) == [("pull a", "began")]
    for n in range(2, 20):
        end_notice(records, "pull a", now=start + n * HOUR)
        raise_notice(records, "pull a", "x", now=start + n * HOUR + 30 * MINUTE, same_within=HOUR)
        assert news(records, start + n * HOUR + 30 * MINUTE) == []


def test_what_was_over_before_anybody_could_be_told_is_told_as_a_whole(records, start):
    """One piece of news, which says that it is over; nothing after it."""
    raise_notice(records, "pull a", "x", now=start)
    end_notice(records, "pull a", now=start + 3 * HOUR)
    assert news(records, start + 3 * HOUR + 59 * MINUTE) == []
    (one,) = to_tell(records, "mail", now=start + 4 * HOUR, rules=RULES)
    assert one.news == "began"
    assert one.is_whole
    deliver(records, start + 4 * HOUR)
    assert news(records, start + 5 * HOUR) == []
    assert notices(records)[0].told_over_at == start + 4 * HOUR


def test_what_was_over_a_week_before_is_not_told(records, start):
    """Somebody who sets up mail hears nothing of last year."""
    raise_notice(records, "old", "x", now=start)
    end_notice(records, "old", now=start + 2 * HOUR)
    raise_notice(records, "new", "x", now=start + 3 * HOUR)
    assert news(records, start + 2 * HOUR + timedelta(days=7)) == [
        ("old", "began"),
        ("new", "began"),
    ]
    assert news(records, start + 3 * HOUR + timedelta(days=7)) == [("new", "began")]


def test_each_way_out_is_told_by_itself(records, start):
    """Mail took it, the other not: mail is not told again, the other is."""
    raise_notice(records, "a", "x", now=start)
    now = start + HOUR
    assert deliver(records, now) == [("a", "began")]
    assert deliver(records, now, "failed", "webhook", "status 500") == [("a", "began")]
    assert news(records, now + MINUTE) == []
    assert news(records, now + MINUTE, "webhook") == [("a", "began")]


def test_after_failures_the_way_waits_longer_and_longer(records, start):
    """A minute, five, then an hour each; a new trouble waits along, and both go out together."""
    raise_notice(records, "a", "x", now=start)
    now = start + HOUR
    for wait in (MINUTE, 5 * MINUTE, HOUR, HOUR):
        assert deliver(records, now, "failed", error="refused") == [("a", "began")]
        assert news(records, now + wait - timedelta(seconds=1)) == []
        now += wait
    raise_notice(records, "b", "x", now=start + MINUTE)
    assert deliver(records, now) == [("a", "began"), ("b", "began")]
    (one, other) = deliveries(records)
    assert {one.n_attempts, other.n_attempts} == {1, 5}
    assert {one.error, other.error} == {None}


def test_what_may_have_arrived_is_not_sent_again(records, start):
    """It is not known; the end is told all the same."""
    raise_notice(records, "a", "x", now=start)
    deliver(records, start + HOUR, "not known", error="no answer")
    assert news(records, start + 9 * HOUR) == []
    end_notice(records, "a", now=start + 10 * HOUR)
    assert news(records, start + 11 * HOUR) == [("a", "over")]


def test_what_a_process_took_is_nobody_elses_and_not_sent_again_if_it_died(records, start):
    """Of a delivery that stands as sending for a quarter of an hour it is not known."""
    raise_notice(records, "a", "x", now=start)
    now = start + HOUR
    assert len(claim_to_tell(records, "mail", now=now, rules=RULES)) == 1
    assert claim_to_tell(records, "mail", now=now + MINUTE, rules=RULES) == []
    assert [one.state for one in deliveries(records)] == ["sending"]
    assert news(records, now + HOUR) == []
    end_notice(records, "a", now=now + HOUR)
    assert deliver(records, now + 2 * HOUR) == [("a", "over")]
    states = {one.news: (one.state, one.error) for one in deliveries(records)}
    assert states["over"] == ("told", None)
    assert states["began"] == ("not known", "its process ended while it was being sent")


def test_of_many_that_want_to_tell_one_does(records, start):
    """Eight at once: the news are given out once."""
    raise_notice(records, "a", "x", now=start)
    now = start + HOUR
    with ThreadPoolExecutor(8) as pool:
        taken = list(
            pool.map(lambda _: claim_to_tell(records, "mail", now=now, rules=RULES), range(8))
        )
    assert sum(map(len, taken)) == 1


def test_trouble_that_is_back_while_its_end_goes_out_goes_on(records, start):
    """The end is not written down as told, so that it is told when it has come."""
    raise_notice(records, "a", "x", now=start)
    end_notice(records, "a", now=start + 2 * HOUR)
    now = start + 3 * HOUR
    taken = claim_to_tell(records, "mail", now=now, rules=RULES)
    raise_notice(records, "a", "x", now=now, same_within=2 * HOUR)
    mark_told(records, taken, "mail", state="told", now=now)
    (held,) = notices(records, open_only=True)
    assert held.told_over_at is None
    end_notice(records, "a", now=now + HOUR)
    assert news(records, now + 2 * HOUR) == [("a", "over")]


def test_a_delivery_does_not_end_as_under_way(records, start):
    """One sentence."""
    with pytest.raises(RecordsError, match="ends as told, failed or not known"):
        mark_told(records, [], "mail", state="sending", now=start)

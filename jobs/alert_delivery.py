"""Send alerts: hand waiting messages over, one at a time, each written down before it goes out.

A run ends when none is due, when its time is over, or when the other side is in trouble; the next
one goes on. Whoever runs it holds the lock of the job, so nobody else hands anything over.
"""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from forecast.alerts.doubts import tell_of_doubts
from forecast.alerts.folder import take_back
from forecast.alerts.lists import drawn_lists
from forecast.alerts.outbox import (
    GIVEN_UP,
    IN_DOUBT,
    REFUSED,
    SENT,
    WAITING,
    WEBHOOK,
    Claimed,
    Ended,
    Wanted,
    claim_next,
    keep_end,
    put_in_doubt,
)
from forecast.alerts.recipients import placing_of
from forecast.alerts.refusals import Refusals
from forecast.alerts.sending import (
    DeliveryRules,
    delivery_rules,
    draw_lists,
    end_sent,
    overdue_alerts,
    waking_regions,
    ways_of,
)
from forecast.alerts.stranded import tell_of_stranded
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.signing_keys import ADDRESSES, signing_key
from jobs.alert_carriers import Carrier, carrier_of
from jobs.channels.mail_session import Hand
from jobs.job import alone
from jobs.ledger import JobResult, leave_off_if_told, recorded_run
from jobs.notices import end_for, raise_for
from jobs.secrets import SecretError

JOB = "send alerts"
_PARTNER = "alerts to the partner"
_LOOKS_EVERY = 1.0  # s; between looks at the clock on the wall and at what is overdue


@dataclass
class Delivered:
    """What a run did: messages by what became of them, and what stopped it before its end."""

    ended: Counter[str] = field(default_factory=Counter)
    n_lists: int = 0
    n_in_doubt: int = 0
    n_taken_back: int = 0
    n_told_partner: int = 0
    trouble: dict[str, str] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """What was done, in words without names."""
        words = [f"{self.n_lists} lists drawn"] if self.n_lists else []
        words += [f"{n} {state}" for state, n in sorted(self.ended.items())]
        if self.n_taken_back:
            words.append(f"{self.n_taken_back} mails of a withdrawn alert taken out of the folder")
        if self.n_in_doubt:
            words.append(f"{self.n_in_doubt} left in doubt by a process that ended")
        return "; ".join([", ".join(words) or "no message was due", *self.trouble.values()])


def deliver(
    practice: Practice,
    records: Records,
    *,
    say: Callable[[str], None],
    environment: Mapping[str, str] | None = None,
    seconds: float | None = None,
    most: int | None = None,
) -> Delivered:
    """Hand over what is due, for so long at most [s]; the rules say how long if not given.

    With `most`, so many messages at most are handed over on each way.

    The caller holds the lock of the job (`jobs.job.alone`).
    """
    done, rules = Delivered(), delivery_rules(practice)
    until = time.monotonic() + (rules.one_run if seconds is None else seconds)
    with recorded_run(practice, records, JOB, local_date=practice.today, cut=None) as result:
        done.n_in_doubt = put_in_doubt(records, now=practice.now)
        done.n_lists = len(draw_lists(practice, records))
        _take_back(practice, records, done)
        environment = os.environ if environment is None else environment
        for way in ways_of(practice):
            try:
                carrier = carrier_of(practice, records, way, rules, environment=environment)
            except SecretError as refusal:
                done.trouble[way] = str(refusal)
                continue
            _Desk(practice, records, rules, way, carrier, done, result).send(until, most)
        end_sent(records)
        tell_of_doubts(records, now=practice.now)
        tell_of_stranded(practice, records, now=practice.now)
        result.rows, result.sentence = done.ended[SENT], done.sentence
        # a partner's trouble must not let owners wait: it is a notice of its own
        result.failed = bool(done.trouble.keys() - {WEBHOOK})
        _tell_of_partner(practice, records, done)
    say(done.sentence)
    return done


def _take_back(practice: Practice, records: Records, done: Delivered) -> None:
    """Take mails of withdrawn alerts out of the folder outbox; what hinders it is told."""
    try:
        done.n_taken_back = take_back(practice, records)
    except OSError as error:
        cause = (error.strerror or type(error).__name__).lower()
        done.trouble["taken back"] = (
            f"mails of a withdrawn alert could not be taken out of outbox/alerts ({cause}): do not "
            "send them"
        )


def _tell_of_partner(practice: Practice, records: Records, done: Delivered) -> None:
    """Raise the notice that the partner's address takes nothing, or end it once it did."""
    if WEBHOOK in done.trouble:
        raise_for(records, _PARTNER, done.trouble[WEBHOOK], now=practice.now)
    elif done.n_told_partner:
        end_for(records, _PARTNER, now=practice.now)


class _Desk:
    """Hands over the messages of one way."""

    def __init__(
        self,
        practice: Practice,
        records: Records,
        rules: DeliveryRules,
        way: str,
        carrier: Carrier,
        done: Delivered,
        result: JobResult,
    ) -> None:
        self._practice, self._records, self._rules, self._way = practice, records, rules, way
        self._carrier, self._done, self._result = carrier, done, result
        self._began = time.monotonic()
        self._looked_at = -_LOOKS_EVERY
        self._lists = drawn_lists(records)
        self._placing = placing_of(practice, records)
        self._refusals = Refusals(signing_key(records, ADDRESSES, now=practice.now))

    def send(self, until: float, most: int | None) -> None:
        """Hand over until none is due, the time is over or the other side is in trouble."""
        n_handed = 0
        ended: Ended | None = None
        in_a_row, started = Counter[str](), 0.0
        try:
            while time.monotonic() < until and n_handed != most:
                if ended is not None and started + self._rules.pause > time.monotonic():
                    # not to be left half-way by a process that dies while it waits
                    keep_end(self._records, ended, now=self._now())
                    ended = None
                self._wait_until(started + self._rules.pause)
                started = time.monotonic()
                claimed, ended = self._claim(ended), None
                if claimed is None:
                    return
                n_handed += 1
                hand = self._carrier.hand_over(claimed)
                ended = self._end(claimed, hand)
                self._done.ended[_told(ended)] += 1
                self._done.n_told_partner += self._way == WEBHOOK and ended.state == SENT
                in_a_row[hand.state] += 1
                if hand.state == "sent":
                    in_a_row.clear()
                if trouble := self._trouble(in_a_row, hand):
                    self._done.trouble[self._way] = trouble
                    return
                leave_off_if_told()
        finally:
            if ended is not None:
                keep_end(self._records, ended, now=self._now())
            self._carrier.close()

    def _claim(self, ended: Ended | None) -> Claimed | None:
        now = self._now()
        if time.monotonic() - self._looked_at >= _LOOKS_EVERY:
            self._looked_at = time.monotonic()
            overdue = overdue_alerts(self._practice, self._records, now)
            regions = waking_regions(self._practice, now)
            self._wanted = Wanted(self._way, self._lists, regions, overdue)
            self._day = replace(self._practice, now=now).today
        return claim_next(
            self._records,
            ended,
            self._wanted,
            placing=self._placing,
            refusals=self._refusals,
            day=self._day,
            now=now,
        )

    def _end(self, claimed: Claimed, hand: Hand) -> Ended:
        rules, now = self._rules, self._now()
        if hand.state == "sent":
            return Ended(claimed, SENT)
        if hand.state == "in doubt":
            return Ended(claimed, IN_DOUBT, hand.why)
        if hand.state == "refused":
            return Ended(claimed, REFUSED, hand.why, bounced=hand.is_bounce)
        if hand.state == "server":  # no attempt of this message's own
            n, wait = claimed.n_attempts - 1, rules.waits[0]
            return Ended(claimed, WAITING, hand.why, now + wait, n)
        if claimed.n_attempts > len(rules.waits):
            return Ended(claimed, GIVEN_UP, hand.why)
        return Ended(claimed, WAITING, hand.why, now + rules.waits[claimed.n_attempts - 1])

    def _trouble(self, in_a_row: Counter[str], hand: Hand) -> str | None:
        """Say why no more is handed over for now: the other side's trouble, not the owners'."""
        n_without = in_a_row["server"] + in_a_row["in doubt"]
        if hand.is_login or n_without >= self._rules.in_a_row:
            return f"stopped, as {hand.why}"
        if in_a_row["refused"] >= self._rules.refused_in_a_row:
            return (
                f"stopped, as {in_a_row['refused']} in a row were refused, the last so: {hand.why}"
            )
        return None

    def _now(self) -> datetime:
        return self._practice.now + timedelta(seconds=time.monotonic() - self._began)

    @staticmethod
    def _wait_until(moment: float) -> None:
        if (left := moment - time.monotonic()) > 0:
            time.sleep(left)


def _told(ended: Ended) -> str:
    return "to be tried again" if ended.state == WAITING else ended.state


def deliver_alone(
    practice: Practice, records: Records, *, say: Callable[[str], None]
) -> Delivered | None:
    """Hand over until nothing is due, unless another process is at it; None where one is."""
    with alone(practice, JOB) as is_alone:
        if not is_alone:
            say("another process is handing messages over")
            return None
        return deliver(practice, records, say=say, seconds=float("inf"))

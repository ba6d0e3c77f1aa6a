"""One household: the owners at one mail address, and whether they may be written to.

The same judgement is made twice, when an alert's list is drawn and when its message is handed over,
since a dog may have died and an owner may have said no in between. What is not known is never taken
for a yes: without an owner's yes, or without a dog that is known to be alive and to live in the
region, nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sqlalchemy import ColumnElement, Connection, bindparam, or_, select

from forecast.homes import NOT_KNOWN, Home
from forecast.records import tables
from forecast.records.bulk import ROWS_PER_BATCH
from forecast.records.dated import (
    ACTIVE,
    ALERTS,
    ALERTS_BY_MAIL,
    MESSAGES,
    STATUS_NOT_KNOWN,
    dog_statuses_on,
    homes_on,
    owner_statuses_on,
)
from forecast.records.imports import visible
from forecast.visits.counting.placing import region_of

# What an owner consents to, the most particular first: its answer counts before the others'.
CONSENTS = (ALERTS_BY_MAIL, ALERTS, MESSAGES)


class LeftOut(StrEnum):
    """Why a household is not written to."""

    NO_ADDRESS = "no mail address"
    ADDRESS_REFUSED = "mail address refused"
    SAID_NO = "said no to messages"
    CONSENT_NOT_KNOWN = "consent not known"
    UNSUBSCRIBED = "unsubscribed"
    BOUNCED = "mail came back"
    OWNER_GONE = "owner not with the practice"
    NO_LIVING_DOG = "no living dog in the region"
    DOG_NOT_KNOWN = "not known whether the dog lives"
    BUDGET = "had this year's number of alerts"
    TOLD_LATELY = "told the same of another region"
    SAME_HOUSEHOLD = "told by another message to the same address"
    ERASED = "owner erased"
    WITHDRAWN = "alert withdrawn before"
    TOO_LATE = "the first week it speaks of is over"
    REGION_GONE = "its region is not in practice.toml any more"
    WAY_GONE = "its way out is not in practice.toml any more"


def why_left_out(why: LeftOut, detail: str | None = None) -> str:
    """Return the words that are kept of why somebody is left out."""
    return why.value if detail in (None, "none") else f"{why.value}: {detail}"


@dataclass(frozen=True)
class OwnerFacts:
    """What is known of one owner on a day.

    Attributes
    ----------
    answer
        To being written to: yes, no, or not known.
    status
        With the practice: active, dead, moved, left, or not known.
    dogs
        The status of each dog that lives in the alert's region.
    """

    answer: str
    status: str
    dogs: tuple[str, ...]


def judged(owners: Iterable[OwnerFacts], *, stopped: str | None) -> LeftOut | None:
    """Say why the owners at one address are not written to; None if they are.

    One who said no is enough to leave the address out. Whether an owner is still with the practice
    is often not written down: who said yes is written to unless it is known that they are not.
    """
    owners = list(owners)
    if stopped is not None:
        return LeftOut.BOUNCED if stopped == "bounced" else LeftOut.UNSUBSCRIBED
    if any(one.answer == "no" for one in owners):
        return LeftOut.SAID_NO
    asked = [one for one in owners if one.answer == "yes"]
    if not asked:
        return LeftOut.CONSENT_NOT_KNOWN
    here = [one for one in asked if one.status in (ACTIVE, STATUS_NOT_KNOWN)]
    if not here:
        return LeftOut.OWNER_GONE
    dogs = [status for one in here for status in one.dogs]
    if ACTIVE in dogs:
        return None
    return LeftOut.DOG_NOT_KNOWN if STATUS_NOT_KNOWN in dogs else LeftOut.NO_LIVING_DOG


def hear(said: dict[str, str], what: str, answer: str) -> None:
    """Add an answer to what an owner said before, in the order in which answers came.

    A no to something wider ends a yes to what is part of it that was said before: who first wants
    alerts and later no messages at all is not written to.
    """
    if answer == "no" and what in CONSENTS:
        for narrower in CONSENTS[: CONSENTS.index(what)]:
            said.pop(narrower, None)
    said[what] = answer


def answer_of(answers: Mapping[str, str]) -> str:
    """Return what an owner's answers come to: the most particular one that is a yes or a no."""
    for what in CONSENTS:
        if answers.get(what) in ("yes", "no"):
            return answers[what]
    return STATUS_NOT_KNOWN


@dataclass(frozen=True)
class Placing:
    """How a dog's region is told: the region of each branch, and what stands for an unknown home.

    `unknown_home` is the setting of practice.toml, as in the counts: the branch's region, or none.
    """

    branch_regions: Mapping[str, str]
    unknown_home: str

    def region(self, home: Home | None, branch_id: str | None) -> str | None:
        """Return the region in which a dog counts; None where there is none."""
        branch_region = self.branch_regions.get(branch_id or "")
        return region_of(home or NOT_KNOWN, branch_region, self.unknown_home)


def facts_of(
    connection: Connection, owner_ids: Iterable[str], *, region_id: str, placing: Placing, day: date
) -> list[OwnerFacts]:
    """Read what is known of a few owners now; one whose identity is erased is left out."""
    found = []
    for owner_id in connection.scalars(_OWNERS, {"owners": list(owner_ids)}).all():
        statuses = owner_statuses_on(connection, day, owner_id=owner_id)
        dogs = _dogs(connection, owner_id, region_id, placing, day)
        answer = answer_of(_answers(connection, owner_id, day))
        found.append(OwnerFacts(answer, statuses.get(owner_id, STATUS_NOT_KNOWN), dogs))
    return found


def _dogs(
    connection: Connection, owner_id: str, region_id: str, placing: Placing, day: date
) -> tuple[str, ...]:
    """Return the status of each dog of an owner that lives in a region."""
    rows, found = connection.execute(_DOGS_OF, {"owner": owner_id}).all(), []
    ids = [row.id for row in rows]
    homes = homes_on(connection, day, dog_ids=ids)
    statuses = dog_statuses_on(connection, day, dog_ids=ids)
    for dog_id, branch_id in rows:
        home = homes.get(dog_id)
        if (home is None or home.place == "not known") and branch_id is None:
            branch_id = last_branches(connection, [dog_id]).get(dog_id)
        if placing.region(home, branch_id) == region_id:
            found.append(statuses.get(dog_id, STATUS_NOT_KNOWN))
    return tuple(found)


def is_a_dog() -> ColumnElement[bool]:
    """Return the rule that leaves out cats and others that stand in the register too."""
    return or_(tables.dog.c.species.is_(None), tables.dog.c.species == "dog")


def last_branches(connection: Connection, dog_ids: Sequence[str]) -> dict[str, str]:
    """Return at which branch each of some dogs was seen last."""
    visit, found = tables.visit, dict[str, str]()
    for start in range(0, len(dog_ids), ROWS_PER_BATCH):
        part = dog_ids[start : start + ROWS_PER_BATCH]
        seen = visible(visit, visit.c.dog_id, visit.c.branch_id).where(visit.c.dog_id.in_(part))
        found |= dict(
            connection.execute(seen.order_by(None).order_by(visit.c.date, visit.c.id)).all()
        )
    return found


def _answers(connection: Connection, owner_id: str, day: date) -> dict[str, str]:
    said: dict[str, str] = {}
    for what, answer in connection.execute(_ANSWERS, {"owner": owner_id, "day": day}):
        hear(said, what, answer)
    return said


# Built once, as they are asked for each message.
_OWNERS = select(tables.owner.c.id).where(
    tables.owner.c.id.in_(bindparam("owners", expanding=True))
)
_DOGS_OF = select(tables.dog.c.id, tables.dog.c.branch_id).where(
    tables.dog.c.owner_id == bindparam("owner"), is_a_dog()
)
_ANSWERS = (
    select(tables.consent.c.what, tables.consent.c.answer)
    .where(
        tables.consent.c.owner_id == bindparam("owner"), tables.consent.c.date <= bindparam("day")
    )
    .order_by(tables.consent.c.date, tables.consent.c.id)
)

"""Recipients: the households of a region that may be written to, and why others are not.

A household is one mail address: of several owners, pets and branches with the same address one
message comes. Everybody with a dog in the region is on the list, also who is left out, so that
everyone who got nothing is accounted for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import Connection, select

from forecast.alerts.household import (
    LeftOut,
    OwnerFacts,
    Placing,
    answer_of,
    hear,
    is_a_dog,
    judged,
    last_branches,
)
from forecast.alerts.mail_addresses import AddressError, MailAddress, address_key, find_address
from forecast.practice import Practice
from forecast.records import tables
from forecast.records.branches import branches
from forecast.records.bulk import undisturbed
from forecast.records.dated import (
    STATUS_NOT_KNOWN,
    dog_statuses_on,
    homes_on,
    owner_statuses_on,
)
from forecast.records.engine import Records
from forecast.records.signing_keys import ADDRESSES, signing_key


@dataclass(frozen=True)
class Listed:
    """One owner on an alert's list.

    Attributes
    ----------
    address_key
        Of the mail address; None where there is none that may be written to.
    left_out
        Why no message is written; None: one is.
    detail
        The code of a refused address.
    same_as
        The owner whose message tells this one too.
    """

    owner_id: str
    address_key: str | None
    left_out: LeftOut | None = None
    detail: str | None = None
    same_as: str | None = None


@dataclass(frozen=True)
class RecipientList:
    """The list of one alert: who is written to, and who is left out for which reason."""

    listed: tuple[Listed, ...]

    @property
    def n_written_to(self) -> int:
        """How many messages there are to be."""
        return sum(one.left_out is None for one in self.listed)

    @property
    def left_out(self) -> dict[LeftOut, int]:
        """How many owners are left out for each reason, the most frequent first."""
        found = Counter(one.left_out for one in self.listed if one.left_out is not None)
        return dict(found.most_common())


@dataclass(frozen=True)
class _Owner:
    """An owner with what the register says; the address is read once."""

    answer: str
    status: str
    address: MailAddress | None = field(repr=False)
    refused: str | None
    key: str | None


@dataclass(frozen=True)
class RecipientRegister:
    """All owners and dogs as they stand on a day; read once for the lists of all regions.

    `dogs` holds, by region and owner, the status of each dog there; `refusing` the keys of
    addresses at which somebody said no, or stopped alerts by a click.
    """

    owners: Mapping[str, _Owner]
    refusing: frozenset[str]
    dogs: Mapping[str, Mapping[str, list[str]]]
    stopped: Mapping[str, str]


@dataclass(frozen=True)
class AlreadyTold:
    """What households were told before: how many alerts this year, and whom lately.

    Both by owner and by key of the address.
    """

    n_this_year: Mapping[str, int]
    lately: frozenset[str]


def placing_of(practice: Practice, records: Records) -> Placing:
    """Return how the practice lets a dog's region be told."""
    of_branch = {one.id: one.region_id for one in branches(records).values()}
    return Placing(of_branch, practice.settings.visits.unknown_home)


def read_recipients(practice: Practice, records: Records) -> RecipientRegister:
    """Read every owner and dog as known today."""
    placing, key = placing_of(practice, records), signing_key(records, ADDRESSES, now=practice.now)
    with records.reading() as connection, undisturbed():
        owners = _owners(connection, practice.today, key)
        dogs = _dogs_by_region(connection, practice.today, placing)
        stopped = stops(connection)
    refusing = {
        one.key
        for owner_id, one in owners.items()
        if one.key is not None and (one.answer == "no" or owner_id in stopped)
    }
    return RecipientRegister(owners, frozenset(refusing), dogs, stopped)


def _owners(connection: Connection, day: date, key: bytes) -> dict[str, _Owner]:
    owner, consent = tables.owner, tables.consent
    statuses = owner_statuses_on(connection, day)
    query = select(consent.c.owner_id, consent.c.what, consent.c.answer)
    said: dict[str, dict[str, str]] = {}
    in_order = query.where(consent.c.date <= day).order_by(consent.c.date, consent.c.id)
    for owner_id, what, answer in connection.execute(in_order):
        hear(said.setdefault(owner_id, {}), what, answer)
    found = {}
    for owner_id, contact in connection.execute(select(owner.c.id, owner.c.contact)):
        address, refused = None, None
        try:
            address = find_address(contact or "")
        except AddressError as refusal:
            refused = refusal.code
        found[owner_id] = _Owner(
            answer_of(said.get(owner_id, {})),
            statuses.get(owner_id, STATUS_NOT_KNOWN),
            address,
            refused,
            None if address is None else address_key(address, key),
        )
    return found


def _dogs_by_region(
    connection: Connection, day: date, placing: Placing
) -> dict[str, dict[str, list[str]]]:
    dog = tables.dog
    homes, statuses = homes_on(connection, day), dog_statuses_on(connection, day)
    query = select(dog.c.id, dog.c.owner_id, dog.c.branch_id).where(
        dog.c.owner_id.is_not(None), is_a_dog()
    )
    rows = connection.execute(query).all()
    lost = [
        row.id
        for row in rows
        if row.branch_id is None and (row.id not in homes or homes[row.id].place == "not known")
    ]
    seen_at = last_branches(connection, lost)
    found: dict[str, dict[str, list[str]]] = {}
    for dog_id, owner_id, branch_id in rows:
        region = placing.region(homes.get(dog_id), branch_id or seen_at.get(dog_id))
        if region is not None:
            own = found.setdefault(region, {}).setdefault(owner_id, [])
            own.append(statuses.get(dog_id, STATUS_NOT_KNOWN))
    return found


def stops(connection: Connection) -> dict[str, str]:
    """Return who is not written to any more, by owner and by key of an address, and why."""
    table = tables.alert_stop
    query = select(table.c.owner_id, table.c.address_key, table.c.reason)
    found: dict[str, str] = {}
    for owner_id, key, reason in connection.execute(query.where(table.c.lifted_at.is_(None))):
        # mail that comes back is the address's matter: the owner may have another by now
        for name in (key, owner_id if reason != "bounced" else None):
            if name is not None:
                found[name] = reason
    return found


def already_told(
    records: Records, *, kind: str, alert_id: str, year_from: datetime, lately_from: datetime
) -> AlreadyTold:
    """Return what households were told, or are about to be, by other alerts than this one.

    A message in doubt counts as one that came. Of *lately* count alerts of the same kind.
    """
    message, alert = tables.alert_message, tables.alert
    because = message.c.why == LeftOut.SAME_HOUSEHOLD.value
    came = message.c.state.in_(("waiting", "sending", "sent", "in doubt")) | because
    query = (
        select(message.c.owner_id, message.c.address_key, message.c.due_at, alert.c.kind)
        .join(alert, alert.c.id == message.c.alert_id)
        .where(message.c.news == "alert", message.c.owner_id.is_not(None), came)
        .where(message.c.alert_id != alert_id, message.c.due_at >= min(year_from, lately_from))
    )
    this_year, lately = Counter[str](), set[str]()
    with records.reading() as connection, undisturbed():
        for owner_id, key, due_at, of_kind in connection.execute(query):
            names = [name for name in (owner_id, key) if name]
            if due_at >= year_from:
                this_year.update(names)
            if of_kind == kind and due_at >= lately_from:
                lately.update(names)
    return AlreadyTold(this_year, frozenset(lately))


def list_of(
    register: RecipientRegister, region_id: str, *, budget: int, told: AlreadyTold
) -> RecipientList:
    """Return the list of an alert of a region; those that are told first, then who is left out."""
    with undisturbed():
        return _list_of(register, region_id, budget, told)


def _list_of(
    register: RecipientRegister, region_id: str, budget: int, told: AlreadyTold
) -> RecipientList:
    dogs, households, alone = register.dogs.get(region_id, {}), dict[str, list[str]](), list[str]()
    for owner_id in sorted(dogs):
        held = register.owners.get(owner_id)
        if held is None:
            continue  # erased: nothing tells who it was
        if held.key is None:
            alone.append(owner_id)
        else:
            households.setdefault(held.key, []).append(owner_id)
    found: list[Listed] = []
    for key, owner_ids in households.items():
        found += _household(register, dogs, key, owner_ids, budget, told)
    for owner_id in alone:
        refused = register.owners[owner_id].refused
        why = LeftOut.NO_ADDRESS if refused == "none" else LeftOut.ADDRESS_REFUSED
        found.append(Listed(owner_id, None, why, refused))
    return RecipientList(tuple(sorted(found, key=lambda one: one.left_out is not None)))


def _household(
    register: RecipientRegister,
    dogs: Mapping[str, list[str]],
    key: str,
    owner_ids: list[str],
    budget: int,
    told: AlreadyTold,
) -> Iterable[Listed]:
    names = [key, *owner_ids]
    stopped = next((register.stopped[name] for name in names if name in register.stopped), None)
    facts = [
        OwnerFacts(register.owners[one].answer, register.owners[one].status, tuple(dogs[one]))
        for one in owner_ids
    ]
    why = judged(facts, stopped=stopped)
    if why is None and key in register.refusing:  # by one without a dog in this region
        why = LeftOut.SAID_NO
    if why is None and any(name in told.lately for name in names):
        why = LeftOut.TOLD_LATELY
    if why is None and max(told.n_this_year.get(name, 0) for name in names) >= budget:
        why = LeftOut.BUDGET
    if why is not None:
        return [Listed(owner_id, None, why) for owner_id in owner_ids]
    # the message names one who could get it alone: never an owner, or of a dog, that is gone
    lead = next(
        one
        for one, fact in zip(owner_ids, facts, strict=True)
        if judged([fact], stopped=None) is None
    )
    others = [one for one in owner_ids if one != lead]
    return [
        Listed(lead, key),
        *(Listed(one, None, LeftOut.SAME_HOUSEHOLD, same_as=lead) for one in others),
    ]

"""What is due for every dog, worked out once and held; after an entry at a desk, its dog anew.

The list of a large group takes seconds to work out. It is held by how far the records had come;
what was entered since is read dog by dog, and an import has all of it worked out anew.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from forecast.dosing.due import DueDog, due_dog
from forecast.dosing.register import Register, is_atopic, read_register
from forecast.dosing.rules import Rules, rules_of
from forecast.dosing.therapies import Therapy
from forecast.practice import Practice
from forecast.records.bulk import undisturbed
from forecast.records.care import Standing, care_standing, dogs_since
from forecast.records.dogs import DogIdentity, identities, identity_of
from forecast.records.engine import Records

_MOST_ANEW = 200  # dogs read one by one; beyond, reading all of them is no slower
ACTIVE = "active"


@dataclass(frozen=True)
class _List:
    standing: Standing
    rows: Mapping[str, DueDog]


class DogLists:
    """The lists of the practices that this process serves, each of one day."""

    def __init__(self) -> None:
        self._lists: dict[tuple[Any, ...], _List] = {}
        self._lock = threading.Lock()

    def rows(self, practice: Practice, records: Records) -> list[DueDog]:
        """Return every dog with what is due, the most pressing first."""
        today = practice.local_date
        key = (practice.folder, today, practice.settings_sha256)
        with self._lock:
            held = self._lists.get(key)
            now = care_standing(records)
            if held is None or held.standing.imports != now.imports:
                made = _List(now, _all(practice, records, today))
            else:
                made = _brought_up(held, now, practice, records)
            self._lists = {key: made}
        return list(made.rows.values())


lists = DogLists()


def _brought_up(held: _List, now: Standing, practice: Practice, records: Records) -> _List:
    if now.last == held.standing.last:
        return held
    changed = dogs_since(records, held.standing)
    if len(changed) > _MOST_ANEW:
        return _List(now, _all(practice, records, practice.local_date))
    rows = dict(held.rows)
    for dog_id in changed:
        register = _register(practice, records, practice.local_date, dog_id=dog_id)
        identity = identity_of(records, dog_id)
        named = {} if identity is None else {dog_id: identity}
        rows |= _rows(register, named, rules_of(practice), practice.local_date)
    return _List(now, _in_order(rows))


def _all(practice: Practice, records: Records, today: date) -> dict[str, DueDog]:
    register = _register(practice, records, today)
    with undisturbed():
        return _in_order(_rows(register, identities(records), rules_of(practice), today))


def _register(
    practice: Practice, records: Records, today: date, *, dog_id: str | None = None
) -> Register:
    unknown_home = practice.settings.visits.unknown_home
    return read_register(records, today=today, unknown_home=unknown_home, dog_id=dog_id)


def _rows(
    register: Register, named: Mapping[str, DogIdentity], rules: Rules, today: date
) -> dict[str, DueDog]:
    therapy = planned_ahead(rules)
    return {
        dog.id: due_dog(
            dog,
            named.get(dog.id),
            therapy,
            rules=rules,
            today=today,
            status=register.gone.get(dog.id, ACTIVE),
            is_atopic=is_atopic(dog),
        )
        for dog in register.dogs.values()
    }


def planned_ahead(rules: Rules) -> Therapy:
    """Return the therapy whose doses are planned ahead, by which the list goes."""
    return next(one for one in rules.therapies.values() if one.planned_ahead)


def _in_order(rows: Mapping[str, DueDog]) -> dict[str, DueDog]:
    order = (
        {due: place for place, due in enumerate(type(next(iter(rows.values())).due))}
        if rows
        else {}
    )
    pairs = sorted(rows.items(), key=lambda pair: (order[pair[1].due], pair[1].reference))
    return dict(pairs)

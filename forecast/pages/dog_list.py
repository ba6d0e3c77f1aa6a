"""What is due for every dog, worked out once and held; after an entry at a desk, its dog anew.

The list of a large group takes seconds to work out. It is held by how far the records had come;
what was entered since is read dog by dog, and an import has all of it worked out anew. Where a
thread of the process keeps lists warm (`DogLists.keep_warm`), nobody waits for that: the one held
is shown until the new one is there, which says so, and that of a new day is made before midnight.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from forecast.dosing.due import Due, DueDog, due_dog
from forecast.dosing.register import Register, is_atopic, read_register
from forecast.dosing.rules import Rules, rules_of
from forecast.dosing.therapies import Therapy
from forecast.practice import Practice
from forecast.records.bulk import undisturbed
from forecast.records.dogs import DogIdentity, identities, identity_of
from forecast.records.engine import Records
from forecast.records.entries import Standing, care_standing, dogs_since
from forecast.records.vets import last_assignment, vets_on

_MOST_ANEW = 200  # dogs read one by one; beyond, reading all of them is no slower
_AHEAD = timedelta(hours=1)  # before midnight, in which the new day's list is made
ACTIVE = "active"
_Key = tuple[Path, date, str]


@dataclass(frozen=True)
class Listed:
    """Every dog with what is due, the most pressing first.

    `is_behind` says that files, rules or a day came since it was worked out, and that it is worked
    out anew; what was entered at desks meanwhile is not in it yet.
    """

    rows: tuple[DueDog, ...]
    is_behind: bool = False


@dataclass(frozen=True)
class _List:
    standing: Standing
    rows: Mapping[str, DueDog]


class DogLists:
    """The lists of the practices that this process serves, each of one day."""

    def __init__(self) -> None:
        self._lists: dict[_Key, _List] = {}
        self._vets: dict[tuple[Path, date], tuple[int, dict[str, str]]] = {}
        self._warmed: set[Path] = set()
        self._lock = threading.Lock()
        self._making: dict[_Key, threading.Lock] = {}  # so that two who ask do not both do it

    def listed(self, practice: Practice, records: Records) -> Listed:
        """Return every dog with what is due, the most pressing first."""
        now = care_standing(records)
        with self._lock:
            held = self._lists.get(_key(practice))
            older = [one for key, one in self._lists.items() if key[0] == practice.folder]
            warmed = practice.folder in self._warmed
        if not _stands(held, now) and older and warmed:
            return Listed(tuple((held or older[-1]).rows.values()), is_behind=True)
        if held is None or held.standing != now:
            held = self._brought_up(practice, records)
        return Listed(tuple(held.rows.values()))

    def keep_warm(self, practice: Practice, records: Records) -> None:
        """Work out what has changed, and before midnight the list of the new day.

        Called again and again beside whoever is served.
        """
        with self._lock:
            self._warmed.add(practice.folder)
        self._brought_up(practice, records)
        ahead = replace(practice, now=practice.now + _AHEAD)
        if ahead.local_date != practice.local_date:
            self._brought_up(ahead, records)
        self.vets(practice, records)
        with self._lock:
            days = {practice.local_date, ahead.local_date}
            self._lists = {
                key: one
                for key, one in self._lists.items()
                if key[0] != practice.folder or (key[1] in days and key[2] == _key(practice)[2])
            }

    def leave(self, folder: Path) -> None:
        """Say that nobody keeps the lists of the practice of a folder warm any more."""
        with self._lock:
            self._warmed.discard(folder)

    def vets(self, practice: Practice, records: Records) -> Mapping[str, str]:
        """Return the id of the vet who looks after each dog today; others are not in it."""
        key, newest = (practice.folder, practice.local_date), last_assignment(records)
        with self._lock:
            held = self._vets.get(key)
        if held is None or held[0] != newest:
            with records.reading() as connection:
                held = (newest, vets_on(connection, practice.local_date))
            with self._lock:
                others = {k: one for k, one in self._vets.items() if k[0] != practice.folder}
                self._vets = {**others, key: held}
        return held[1]

    def _brought_up(self, practice: Practice, records: Records) -> _List:
        """Return the list as the records stand, held from now on."""
        key = _key(practice)
        with self._lock:
            making = self._making.setdefault(key, threading.Lock())
        with making:
            now, held = care_standing(records), self._lists.get(key)
            if held is None or not _stands(held, now):
                made = _List(now, _all(practice, records))
            else:
                made = _with_entries(held, now, practice, records)
            with self._lock:
                warmed = practice.folder in self._warmed
                # without a thread that thins them out, one list a practice is held
                kept = {k: v for k, v in self._lists.items() if warmed or k[0] != practice.folder}
                self._lists = {**kept, key: made}
        return made


lists = DogLists()


def _key(practice: Practice) -> _Key:
    return practice.folder, practice.local_date, practice.settings_sha256


def _stands(held: _List | None, now: Standing) -> bool:
    """Whether nothing but entries at a desk came since a list was worked out."""
    return held is not None and held.standing.imports == now.imports


def _with_entries(held: _List, now: Standing, practice: Practice, records: Records) -> _List:
    if now.last == held.standing.last:
        return held
    changed = dogs_since(records, held.standing)
    if len(changed) > _MOST_ANEW:
        return _List(now, _all(practice, records))
    rows = dict(held.rows)
    for dog_id in changed:
        register = _register(practice, records, dog_id=dog_id)
        identity = identity_of(records, dog_id)
        named = {} if identity is None else {dog_id: identity}
        rows |= _rows(register, named, rules_of(practice), practice.local_date)
    return _List(now, _in_order(rows))


def _all(practice: Practice, records: Records) -> dict[str, DueDog]:
    register = _register(practice, records)
    with undisturbed():
        named, rules = identities(records), rules_of(practice)
        return _in_order(_rows(register, named, rules, practice.local_date))


def _register(practice: Practice, records: Records, *, dog_id: str | None = None) -> Register:
    return read_register(
        records,
        today=practice.local_date,
        unknown_home=practice.settings.visits.unknown_home,
        dog_id=dog_id,
        rules=rules_of(practice),
    )


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
    order: dict[Any, int] = {due: place for place, due in enumerate(Due)}
    pairs = sorted(rows.items(), key=lambda pair: (order[pair[1].due], pair[1].reference))
    return dict(pairs)

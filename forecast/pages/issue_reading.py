"""The issues that pages show, read once and held: what is held of one issue never changes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar, cast

from forecast.issuing import Issue, of_region, read_issue
from forecast.pages.page import NotFoundError
from forecast.practice import Practice
from forecast.records.engine import Records, RecordsError
from forecast.records.issues import IssueRow, issue, newest_issue

T = TypeVar("T")
MOST_HELD = 256  # values, of which one of an issue without its draws takes a megabyte or a few


class Held:
    """Values that are made once and held, the least recently asked let go first."""

    def __init__(self, most: int = MOST_HELD) -> None:
        self._values: OrderedDict[Hashable, Any] = OrderedDict()
        self._making: dict[Hashable, threading.Lock] = {}
        self._most, self._lock = most, threading.Lock()

    def value(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what is held under a key, made now where it is not.

        Of many who ask for the same at once one makes it; who asks for another does not wait.
        """
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return cast(T, self._values[key])
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                if key in self._values:
                    return cast(T, self._values[key])
            made = make()
            with self._lock:
                self._values[key] = made
                self._making.pop(key, None)
                while len(self._values) > self._most:
                    self._values.popitem(last=False)
            return made

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._values.clear()


held = Held()


def latest(practice: Practice, records: Records) -> Issue | None:
    """Return the newest issue, without its draws; None before the first."""
    row = newest_issue(records)
    return None if row is None else _read(practice, row)


def issue_named(practice: Practice, records: Records, issue_id: str) -> Issue:
    """Return one issue, without its draws."""
    try:
        row = issue(records, issue_id)
    except RecordsError as refused:
        raise NotFoundError(str(refused)) from refused
    return _read(practice, row)


def one_region(whole: Issue, region: str) -> Issue:
    """Return an issue with one region alone, with its draws while they are kept."""
    return held.value(("region", whole.file, region), lambda: of_region(whole, region))


def _read(practice: Practice, row: IssueRow) -> Issue:
    path = practice.issued_folder / row.file
    return held.value(("issue", path), lambda: read_issue(path, with_draws=False))

"""Mails of alerts: files in the folder outbox, and the keyed hashes of addresses they went to."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from sqlalchemy import select, update

from forecast.outbox import ALERTS
from forecast.practice import Practice
from forecast.records import tables
from forecast.records.engine import Records

_message = tables.alert_message


def mails_of_owner(practice: Practice, records: Records, owner_id: str | None) -> list[Path]:
    """Return the files of mails to one owner."""
    with records.reading() as connection:
        own = select(_message.c.id).where(_message.c.owner_id == owner_id)
        return _files(practice, connection.scalars(own))


def forget_mails(practice: Practice, records: Records, *, before: datetime) -> int:
    """Delete the files of mails that came to their end before a moment; return how many.

    Of what is kept in the records the hashes of addresses go too, but for those that stop messages.
    """
    old = (_message.c.changed_at < before, _message.c.address_key.is_not(None))
    with records.reading() as connection:
        files = _files(practice, connection.scalars(select(_message.c.id).where(*old)))
    for path in files:
        path.unlink(missing_ok=True)
    ended = _message.c.state.not_in(("waiting", "sending"))
    with records.writing() as connection:
        connection.execute(update(_message).where(*old, ended).values(address_key=None))
    return len(files)


def _files(practice: Practice, message_ids: Iterable[str]) -> list[Path]:
    folder = practice.outbox_folder / ALERTS
    held: dict[str, list[Path]] = {}
    for path in folder.glob("*/*.eml*"):  # also what a process that died left of one
        held.setdefault(path.name.partition(".")[0], []).append(path)
    return [path for one in message_ids for path in held.get(one, ())]

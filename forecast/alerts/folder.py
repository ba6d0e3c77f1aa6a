"""The folder outbox of alerts: a file a mail, for whoever sends them by other means.

Of an alert that is withdrawn the mails are taken away, since whoever empties the folder by hand
would send them; a text beside what stands there then says so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import select

from forecast.alerts.outbox import ALERT, FOLDER
from forecast.outbox import ALERTS
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records import tables
from forecast.records.alerts import WITHDRAWN, alerts
from forecast.records.engine import Records

NOTE: Final = "WITHDRAWN.txt"
_message = tables.alert_message
_TOLD = """\
This alert was withdrawn. Its mails that stood here on {day} (UTC) were taken away.

Do not send the alert any more. The mails that stand here, or come here, say that it is
withdrawn: send them to those alone to whom you had sent the alert before. Whether you
had, forepaw cannot know.
"""


def folder_of(practice: Practice, alert_id: str) -> Path:
    """Return the folder that holds the mails of an alert."""
    return practice.outbox_folder / ALERTS / alert_id


def lay_down(practice: Practice, alert_id: str, message_id: str, written: bytes) -> None:
    """Write a mail into the folder, for its owner's eyes alone.

    Raises
    ------
    OSError
        If the folder takes nothing.
    """
    folder = folder_of(practice, alert_id)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_private(folder / f"{message_id}.eml", written)


def left_mails(practice: Practice, records: Records) -> dict[str, list[Path]]:
    """Return the mails of withdrawn alerts that still stand in the folder, by alert."""
    found: dict[str, list[Path]] = {}
    for one in alerts(records, states=(WITHDRAWN,)):
        held = {path.stem: path for path in folder_of(practice, one.id).glob("*.eml")}
        if not held:
            continue
        own = (_message.c.alert_id == one.id, _message.c.news == ALERT, _message.c.way == FOLDER)
        with records.reading() as connection:
            ids = connection.scalars(select(_message.c.id).where(*own))
            if files := [held[name] for name in ids if name in held]:
                found[one.id] = files
    return found


def take_back(practice: Practice, records: Records) -> int:
    """Delete the mails of withdrawn alerts that still stand in the folder; return how many.

    Raises
    ------
    OSError
        If one cannot be deleted.
    """
    n = 0
    for alert_id, files in left_mails(practice, records).items():
        folder = folder_of(practice, alert_id)
        told = _TOLD.format(day=practice.now.strftime("%Y-%m-%d %H:%M"))
        write_private(folder / NOTE, told.encode())  # first: it must not be lacking afterwards
        for path in files:
            path.unlink(missing_ok=True)
        n += len(files)
    return n

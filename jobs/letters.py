"""Letters, calendars and recall lists as files: in outbox/letters, to be printed and handed over.

They hold names. They are readable by the folder's owner alone, go when somebody is erased, and
after some days by themselves (`forecast.privacy.expiry`): each can be made again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from forecast.accounts import people
from forecast.accounts.audit import Action, note
from forecast.accounts.contacts import read_contacts
from forecast.dosing.due import DueDog
from forecast.languages import language_name
from forecast.letters.calendars_due import CalendarDue, Task, calendars_due
from forecast.letters.desk import Desk, desk_of
from forecast.letters.gate import LetterError
from forecast.letters.handing_over import (
    hand_over_calendar,
    hand_over_cancellation,
    hand_over_letter,
    letter_of,
)
from forecast.letters.recall import Recall, recall_csv, recall_list, recall_workbook
from forecast.letters.rendering import letter_html, letter_pdf
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.also import Also
from forecast.records.engine import Records
from forecast.records.handovers import handovers_of
from forecast.records.plan_decisions import in_force
from jobs.ledger import recorded_run
from models.words import number_of


@dataclass
class Written:
    """What was written, and for which dogs, by number, nothing was, and why.

    `remarks` say of a file what its name does not: that it goes to who owned the dog before.
    `languages` counts the letters by the English name of the language they are in.
    """

    files: list[Path] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    languages: Counter[str] = field(default_factory=Counter)


def write_letters(
    practice: Practice, records: Records, *, dogs: Iterable[str] | None, therapy: str
) -> Written:
    """Hand over letter and calendar of dogs by id, or of all whose signed plan was not told yet."""
    done = Written()
    signed = {dog for dog, of in in_force(records) if of == therapy}
    wanted = sorted(signed) if dogs is None else list(dogs)
    with recorded_run(
        practice, records, "letters", local_date=practice.local_date, cut=None
    ) as run:
        for dog_id in wanted:
            desk = desk_of(practice, records, dog_id, therapy=therapy)
            if dogs is None and _is_told(practice, records, desk):
                continue
            try:
                _one(practice, records, desk, therapy, done=done)
            except LetterError as refusal:
                done.refused.append(str(refusal))
        run.rows = len(done.files)
        left_out = number_of(len(done.refused), "dog")
        run.sentence = f"{number_of(len(done.files), 'file')}, {left_out} left out"
    return done


def write_cancellations(practice: Practice, records: Records) -> Written:
    """Hand over the cancellation of every calendar in which nothing stands any more."""
    done = Written()
    with recorded_run(
        practice, records, "cancellations", local_date=practice.local_date, cut=None
    ) as run:
        for due in calendars_due(practice, records):
            if due.task is Task.CANCEL:
                noted = _noting(practice, Action.CALENDAR_CANCELLED, due.of.dog_id)
                made = hand_over_cancellation(
                    practice, records, due.of, account_id=None, also=noted
                )
                path = _write(practice, _name_of_cancellation(due), made)
                done.files.append(path)
                if due.is_of_owner_before:
                    done.remarks.append(_goes_to(practice, records, due, path))
        run.rows = len(done.files)
        run.sentence = f"{number_of(len(done.files), 'calendar')} cancelled"
    return done


def write_recall(
    practice: Practice, records: Records, dogs: Iterable[DueDog], *, within: int
) -> tuple[Recall, list[Path]]:
    """Write the recall list with owners' contacts, as CSV and as a workbook."""
    found = recall_list(practice, records, dogs, within=within)
    owners = {one.owner_id for one in found.rows if one.owner_id is not None}
    read = read_contacts(records, owners, by=None, now=practice.now)
    contacts = {owner: (one.name, one.contact) for owner, one in read.items()}
    text = recall_csv(found.rows, contacts).encode("utf-8-sig")
    return found, [
        _write(practice, "recall.csv", text),
        _write(practice, "recall.xlsx", recall_workbook(found.rows, contacts)),
    ]


def _name_of_cancellation(due: CalendarDue) -> str:
    """Return a name of its own for each calendar, so that no file takes another's place."""
    whose = f"-{due.of.owner_id}" if due.is_of_owner_before else ""
    return f"cancelled-{due.of.dog_id}-{due.of.therapy}{whose}.ics"


def _goes_to(practice: Practice, records: Records, due: CalendarDue, path: Path) -> str:
    """Say to whom a cancellation goes that is not for the dog's owner; that it was read is kept."""
    owner_id = due.of.owner_id
    assert owner_id is not None
    read = read_contacts(records, [owner_id], by=None, now=practice.now).get(owner_id)
    name = read.name if read is not None and read.name else "whoever"
    return f"{path.name} goes to {name}, who had dog {due.gate.number} before"


def _is_told(practice: Practice, records: Records, desk: Desk) -> bool:
    """Say whether the owner was told what the signed plan says, or it has nothing ahead to tell."""
    ahead = desk.ahead(practice.local_date)
    if ahead or desk.given:
        return set(desk.given) == set(ahead)
    out = handovers_of(records, desk.gate.dog_id)
    of_plan = [one.plan_id for one in out if one.of == desk.of]
    return desk.is_past(practice.local_date) or (desk.plan is not None and desk.plan.id in of_plan)


def _one(practice: Practice, records: Records, desk: Desk, therapy: str, *, done: Written) -> None:
    """Hand over letter and calendar of a dog; what went out is in `done`, whatever comes after."""
    desk.gate.check("a letter")
    dog_id, owner_id = desk.gate.dog_id, desk.gate.owner_id
    assert owner_id is not None
    owner = read_contacts(records, [owner_id], by=None, now=practice.now).get(owner_id)
    vet = "" if desk.decision is None else _vet(records, desk.decision.signed_by)
    letter = letter_of(practice, desk, owner=owner.name if owner else "", vet=vet)
    pdf, page = letter_pdf(letter), letter_html(letter).encode()
    noted = _noting(practice, Action.LETTER_HANDED_OVER, dog_id)
    hand_over_letter(practice, records, desk, letter, account_id=None, also=noted)
    done.files += [
        _write(practice, f"letter-{dog_id}-{therapy}.pdf", pdf),
        _write(practice, f"letter-{dog_id}-{therapy}.html", page),
    ]
    done.languages[language_name(letter.language)] += 1
    if desk.planned(practice.local_date):
        noted = _noting(practice, Action.CALENDAR_HANDED_OVER, dog_id)
        made = hand_over_calendar(
            practice, records, dog_id, therapy=therapy, account_id=None, also=noted
        )
        done.files.append(_write(practice, f"calendar-{dog_id}-{therapy}.ics", made))


def _noting(practice: Practice, action: Action, dog_id: str) -> Also:
    """Return what writes the line of the audit, in the transaction that hands over."""
    return lambda connection: note(connection, action, by=None, subject=dog_id, now=practice.now)


def _vet(records: Records, account_id: str) -> str:
    known = {one.id: one.name for one in people.accounts(records)}
    return known.get(account_id, "")


def _write(practice: Practice, name: str, content: bytes) -> Path:
    practice.letters_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = practice.letters_folder / name
    write_private(path, content)
    return path

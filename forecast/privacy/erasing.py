"""Erasing an owner: who it was is gone, from records, archive and papers; what was counted stays.

In this order, so that a process killed anywhere leaves something that the next start completes: the
list of the erased first, then raw files and papers, then the records. Counts, plans and audit know
a dog by its random id only and stay as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forecast.practice import Practice
from forecast.privacy.alert_mails import mails_of_owner
from forecast.privacy.papers import rewrite_papers, still_named
from forecast.privacy.raw_files import Searched, take_out
from forecast.privacy.staff import erase_staff_again
from forecast.records import Records, persons
from forecast.records.erased import ERASED_FILE, ErasedList, keep_beside, read_erased
from forecast.records.identifiers import new_id
from forecast.records.persons import Person, person
from forecast.visits.exports.layout import Layout, load_layouts
from forecast.visits.exports.redacting import DOG, Theirs

# The tables in which somebody is named.
_NAMING = (
    *("owner", "dog_identity", "visit", "imported_file"),
    *("adverse_reaction", "therapy_release", "vets_word", "plan_decision"),
    *("entry_taken_back", "alert_message", "alert_stop"),
)
_IN_RECORDS = (
    "the records hold the name in somebody else's rows: as a vet's name, in an item or in the note "
    "on another owner's dog; those stay"
)


@dataclass
class Erased:
    """What an erasure did.

    Attributes
    ----------
    n_dogs, n_raw_rows
        Dogs whose names are gone; rows that were taken out of raw files.
    rewritten
        Papers that were written anew.
    unreadable
        Raw files in which their rows could not be told, and why; gone if that was asked for.
    deleted
        Whether those files were deleted.
    still_named
        Files of the practice folder that hold the name all the same.
    remarks
        What else a person should know.
    """

    n_dogs: int
    n_raw_rows: int = 0
    rewritten: list[Path] = field(default_factory=list)
    unreadable: dict[Path, str] = field(default_factory=dict)
    deleted: bool = False
    still_named: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def erase_owner(
    practice: Practice, records: Records, number: str, *, delete_unreadable: bool = False
) -> Erased:
    """Erase an owner, asked for by the practice's own number, and the owner's dogs.

    With `delete_unreadable`, raw files in which the owner's rows cannot be told from those of
    others are deleted whole.

    Raises
    ------
    RecordsError
        If no owner on record has that number.
    """
    one = person(records, number)
    layouts = load_layouts(practice.layouts_folder)
    erased, erasure = read_erased(practice), new_id()
    numbers = one.dog_numbers
    numbers |= {
        given_up: numbers[kept]
        for layout in layouts
        for given_up, kept in layout.merged.items()
        if kept in numbers
    }
    erased.add(erasure, practice.now, owners=[one.reference], dogs=numbers)
    unkept = _kept_beside_back_ups(practice)
    done = _erase(practice, records, one, erased, erasure)
    done.remarks += unkept
    if delete_unreadable:
        for path in done.unreadable:
            path.unlink(missing_ok=True)
        done.deleted = True
    records.forget_deleted(_NAMING)
    named = still_named(practice, one.names)
    for path in named.files:
        if path.name.startswith(practice.records_file.name):
            done.remarks.append(_IN_RECORDS)
        else:
            done.still_named.append(path)
    done.remarks += named.remarks
    done.remarks += _numbers_in_layouts(layouts, numbers)
    return done


def _kept_beside_back_ups(practice: Practice) -> list[str]:
    """Keep the list beside the back-ups at once; what could not be done is a remark, no failure."""
    folder = practice.backups_folder
    later = "the next `forepaw backup` there does it, and until then a restore needs --erasures"
    if not (folder / ERASED_FILE).exists():
        if practice.settings.backup.folder is None:
            return []
        return [f"{folder}, named for back-ups, holds none or is not there; {later}"]
    try:
        keep_beside(practice, folder)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        return [f"the list of the erased could not be written to {folder}: {why}; {later}"]
    return []


def _erase(
    practice: Practice, records: Records, one: Person, erased: ErasedList, erasure: str
) -> Erased:
    searched = take_out(practice, records, _theirs(erased, one.names))
    renamed = {
        reference: erased.instead_of(reference) for reference in persons.references_of(records, one)
    }
    for path in mails_of_owner(practice, records, one.owner_id):
        path.unlink(missing_ok=True)
    papers = rewrite_papers(practice, renamed, one.dog_numbers)
    persons.erase_person(records, one, erasure=erasure, at=practice.now, renamed=renamed)
    return Erased(
        len(one.dogs),
        _n_rows(searched),
        papers.written,
        unreadable=searched.unreadable,
        remarks=[*searched.remarks, *papers.remarks],
    )


def _n_rows(searched: Searched) -> int:
    return sum(len(rows) for rows in searched.rows.values())


def _theirs(erased: ErasedList, names: Sequence[str]) -> Theirs:
    def is_theirs(kind: str, number: str) -> bool:
        return erased.dog_id(number) is not None if kind == DOG else erased.holds_owner(number)

    return Theirs(is_theirs, names)


def _numbers_in_layouts(layouts: Sequence[Layout], numbers: dict[str, str]) -> list[str]:
    """Say where the practice's own layouts name a patient number of theirs."""
    return [
        f"{layout.place('merged', given_up)} names a patient number that was erased; take the line "
        "out"
        for layout in layouts
        for given_up, kept in layout.merged.items()
        if given_up in numbers or kept in numbers
    ]


@dataclass(frozen=True)
class Replayed:
    """What came of erasing again those whom a back-up brought back.

    Attributes
    ----------
    n_erasures
        Erasures on the list that the records did not know of.
    unreadable
        Raw files in which the rows of the erased could not be told, and why.
    still_named
        Files of the practice folder that hold a name all the same.
    remarks
        What else a person should know.
    """

    n_erasures: int = 0
    unreadable: dict[Path, str] = field(default_factory=dict)
    still_named: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def replay_erasures(practice: Practice, records: Records) -> Replayed:
    """Erase again those whom records put back from a back-up bring back.

    Nothing is done where the records know of every erasure on the list.
    """
    erased = read_erased(practice)
    forgotten = sorted(set(erased.erasures) - persons.erasures(records)) if erased else []
    if not forgotten:
        return Replayed()
    erase_staff_again(practice, records)
    back = persons.persons_of(
        records,
        is_owner=lambda reference: bool(reference) and erased.holds_owner(reference),
        is_dog=lambda reference: erased.dog_id(reference) is not None,
    )
    done = [_erase(practice, records, one, erased, forgotten[0]) for one in back]
    # raw files may tell of them though the records, older than the files, do not
    searched = take_out(practice, records, _theirs(erased, ()))
    known = persons.erasures(records)
    for erasure in forgotten:
        if erasure not in known:
            persons.record_erasure(records, erasure, at=erased.erasures[erasure])
    records.forget_deleted(_NAMING)
    named = still_named(practice, [name for one in back for name in one.names])
    in_records = [path for path in named.files if path.name.startswith(practice.records_file.name)]
    remarks = [remark for one in done for remark in one.remarks] + searched.remarks + named.remarks
    return Replayed(
        len(forgotten),
        searched.unreadable,
        [path for path in named.files if path not in in_records],
        [*dict.fromkeys(remarks), *([_IN_RECORDS] if in_records else [])],
    )

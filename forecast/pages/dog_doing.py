"""What is done from the page of one dog: entering, signing, taking back what was entered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.dosing.entered_words import entered_words
from forecast.dosing.entering import (
    Entry,
    consultation,
    entry_of,
    longer_effect_of,
    reason_of,
    release_of,
)
from forecast.dosing.taking_back import check_take_back
from forecast.dosing.therapies import DosingError
from forecast.pages.dog import dog_asked, dog_page
from forecast.pages.dog_entries import is_signature, keep_entries
from forecast.pages.dogs import PATH
from forecast.pages.page import Asked, GoTo, Page, View
from forecast.pages.planning_anew import ask_for_plan
from forecast.records.engine import RecordsError
from forecast.records.entries import entered_of, take_back
from forecast.records.vets_words import add_word
from models.errors import ForepawError

_NOT_TAKEN = 422
CONSULTATION = "consultation"
_SAID = 3  # of the entries of a consultation


def _enter(asked: Asked) -> View | GoTo:
    fields, today, kind = _fields(asked), asked.practice.local_date, asked.text("kind")
    try:
        if kind == CONSULTATION:
            entries = consultation(fields, today=today)
        else:
            entries = [entry_of(kind, fields, today=today)]
    except DosingError as refused:
        return _again(asked, refused, fields)
    return _keep(asked, entries, Action.CARE_RECORDED)


def _sign(asked: Asked) -> View | GoTo:
    assert asked.account is not None
    fields = _fields(asked)
    try:
        entry = release_of(fields, signed_by=asked.account.id, today=asked.practice.local_date)
    except DosingError as refused:
        return _again(asked, refused, fields)
    return _keep(asked, [entry], Action.THERAPY_RELEASED)


def _longer(asked: Asked) -> View | GoTo:
    assert asked.account is not None
    fields, today, by = _fields(asked), asked.practice.local_date, asked.account.id
    try:
        entry = longer_effect_of(fields, signed_by=by, today=today)
    except DosingError as refused:
        return _again(asked, refused, fields)
    _, shown, _ = dog_asked(asked)  # refused where it is not theirs
    with asked.records.writing() as connection:
        add_word(connection, shown.id, entry.values)
        now = asked.practice.now
        note(connection, Action.LONGER_EFFECT_SIGNED, by=by, subject=shown.id, now=now)
    return _done(shown.id, entry.said)


def _take_back(asked: Asked) -> View | GoTo:
    """Take an entry back; the plan that rested on it is asked for anew."""
    assert asked.account is not None
    record, shown, rules = dog_asked(asked)
    by, now, today = asked.account.id, asked.practice.now, asked.practice.local_date
    fields, entry = _fields(asked), asked.text("entry")
    standing = entered_of(asked.records, shown.id)
    found = next((one for one in standing if one.id == entry), None)
    try:
        if found is not None:
            if is_signature(found) and not asked.account.may(Right.SIGN_PLANS):
                raise DosingError("a vet's signature was to be taken back; only who signs may")
            check_take_back(found, standing, record, today=today)
        reason = reason_of(fields)
        with asked.records.writing() as connection:
            done = take_back(connection, entry, dog_id=shown.id, by=by, at=now, reason=reason)
            note(connection, Action.ENTRY_TAKEN_BACK, by=by, subject=shown.id, now=now)
    except (DosingError, RecordsError) as refused:
        return _again(asked, refused, fields)
    words = {one.id: one.words for one in rules.therapies.values()}
    said = f"taken back, and counted nowhere any more: {entered_words(done, words)}"
    if ask_for_plan(asked, shown.id, only_if_planned=True):
        said += ". Its plan is worked out anew"
    return _done(shown.id, said)


def _fields(asked: Asked) -> dict[str, str]:
    return {name: asked.text(name) for name in asked.form}


def _again(asked: Asked, refused: ForepawError, fields: Mapping[str, str]) -> View:
    text = str(refused)
    shown = replace(dog_page(asked), wrong=f"{text[:1].upper()}{text[1:]}.", typed=fields)
    return View("dog.html", shown, status=_NOT_TAKEN)


def _keep(asked: Asked, entries: Sequence[Entry], action: Action) -> GoTo:
    _, shown, _ = dog_asked(asked)  # refused where it is not theirs
    keep_entries(asked, shown.id, entries, action, together=False)
    said = [one.said for one in entries[:_SAID]]
    more = [f"and {len(entries) - _SAID} more, as they stand below"] * (len(entries) > _SAID)
    return _done(shown.id, "; ".join(said + more))


def _done(dog_id: str, said: str) -> GoTo:
    return GoTo(f"{PATH}/{dog_id}", f"{said[:1].upper()}{said[1:]}.")


_AT = f"{PATH}/{{dog}}"
PAGES = (
    Page(f"{_AT}/enter", "dog-enter", Right.RECORD_CARE, _enter, methods=("POST",)),
    Page(f"{_AT}/sign", "dog-sign", Right.SIGN_PLANS, _sign, methods=("POST",)),
    Page(f"{_AT}/longer", "dog-longer", Right.SIGN_PLANS, _longer, methods=("POST",)),
    Page(f"{_AT}/take-back", "dog-take-back", Right.RECORD_CARE, _take_back, methods=("POST",)),
)

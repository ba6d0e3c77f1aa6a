"""What the owner of a dog says of being written to: whether, and in which language."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection

from forecast.accounts.audit import Action, note
from forecast.accounts.roles import Right
from forecast.dosing.entering import ANSWERS
from forecast.languages import language_name, language_names
from forecast.pages.dog import dog_asked
from forecast.pages.dog_plan import again
from forecast.pages.dogs import PATH
from forecast.pages.page import Asked, GoTo, Page, PageError, View
from forecast.records.dated import keep_consents
from forecast.records.dogs import dog, keep_language


def _consent(asked: Asked) -> View | GoTo:
    answer, today = asked.text("answer"), asked.practice.local_date
    if answer not in ANSWERS:
        refused = PageError(f"consent {answer!r} was entered; allowed are {', '.join(ANSWERS)}")
        return again(asked, refused)
    return _kept(
        asked,
        lambda connection, owner: keep_consents(connection, {owner: answer}, day=today),
        Action.CONSENT_RECORDED,
        f"Consent of the owner to be written to: {answer}.",
    )


def _language(asked: Asked) -> View | GoTo:
    code = asked.text("owner_language")
    if code and code not in language_names():
        refused = PageError(
            f"the language {code!r} was entered; two letters of ISO 639-1 are, such as de, or "
            "nothing where it is not known"
        )
        return again(asked, refused)
    name = language_name(code) if code else "not known"
    return _kept(
        asked,
        lambda connection, owner: keep_language(connection, owner, code or None),
        Action.LANGUAGE_RECORDED,
        f"The owner reads: {name}. It holds for what goes out for all dogs of theirs.",
    )


def _kept(
    asked: Asked, keep: Callable[[Connection, str], None], action: Action, said: str
) -> View | GoTo:
    """Keep what the owner said, and that it was written down, in one transaction."""
    _, shown, _ = dog_asked(asked)
    assert asked.account is not None
    owner_id = dog(asked.records, shown.id, on=asked.practice.local_date).owner_id
    if owner_id is None:
        refused = PageError("no owner is on record, who could have said it; import the register")
        return again(asked, refused)
    with asked.records.writing() as connection:
        keep(connection, owner_id)
        note(connection, action, by=asked.account.id, subject=owner_id, now=asked.practice.now)
    return GoTo(f"{PATH}/{shown.id}/plan", said)


_AT = f"{PATH}/{{dog}}/plan"
PAGES = (
    Page(f"{_AT}/consent", "dog-consent", Right.HAND_OVER, _consent, methods=("POST",)),
    Page(f"{_AT}/language", "dog-language", Right.HAND_OVER, _language, methods=("POST",)),
)

"""What is done from the page of one dog's plan: signing, handing over, trials."""

from __future__ import annotations

from datetime import date, time

from starlette.responses import Response

from forecast.accounts import people
from forecast.accounts.audit import Action, note
from forecast.accounts.contacts import read_contact
from forecast.accounts.roles import Right
from forecast.dosing.decisions import (
    Signature,
    accept_plan,
    change_plan,
    decline_plan,
    withdraw_plan,
)
from forecast.dosing.entering import trial_begun, trial_ended
from forecast.dosing.therapies import DosingError
from forecast.languages import language_name
from forecast.letters.calendar_file import MEDIA_TYPE
from forecast.letters.catalogues import language_for
from forecast.letters.desk import Desk, desk_of
from forecast.letters.gate import LetterError
from forecast.letters.handing_over import (
    hand_over_calendar,
    hand_over_cancellation,
    hand_over_letter,
    letter_of,
)
from forecast.letters.letter import Letter
from forecast.letters.rendering import STYLESHEET, letter_html, letter_pdf, style
from forecast.pages.dog import dog_asked
from forecast.pages.dog_entries import keep_entries
from forecast.pages.dog_list import planned_ahead
from forecast.pages.dog_plan import again
from forecast.pages.dogs import PATH
from forecast.pages.page import Asked, GoTo, Page, PageError, View
from forecast.records import care
from forecast.records.also import Also
from forecast.records.engine import RecordsError
from forecast.records.handovers import Correspondence
from forecast.records.plans import plan_of

_PREVIEW = "To be read only: hand it over from the page of the plan, so that it is written down."
_FORMS = ("html", "pdf")


def _page_of(dog_id: str) -> str:
    return f"{PATH}/{dog_id}/plan"


# ------------------------------------------------------------------------------- a vet's decision
def _sign(asked: Asked) -> View | GoTo:
    record, shown, rules = dog_asked(asked)
    assert asked.account is not None
    try:
        plan = plan_of(asked.records, asked.text("plan"))
    except RecordsError as refused:
        return again(asked, refused)
    if plan.dog_id != shown.id:
        return again(asked, PageError("this plan is another dog's; open the page again"))
    therapy = rules.therapies[plan.therapy]
    today, reason = asked.practice.local_date, asked.text("reason")
    noted = _noting(asked, Action.PLAN_DECIDED, shown.id)
    signature = Signature(asked.account.id, asked.practice.now, today, noted)
    try:
        match asked.text("decision"):
            case "accept":
                accept_plan(asked.records, plan, dog=record, therapy=therapy, signature=signature)
                said = "Signed."
            case "change":
                dates = _dates(asked)
                change_plan(
                    asked.records,
                    plan,
                    dates,
                    dog=record,
                    therapy=therapy,
                    reason=reason,
                    signature=signature,
                )
                said = "Signed with other dates."
            case "decline":
                decline_plan(asked.records, plan, reason=reason, signature=signature)
                said = "Declined."
            case "withdraw":
                withdraw_plan(asked.records, plan, reason=reason, signature=signature)
                said = "Withdrawn."
            case other:
                raise PageError(
                    f"a decision {other!r} was sent; it is accept, change, decline or withdraw"
                )
    except (DosingError, RecordsError) as refused:
        return again(asked, refused)
    return GoTo(_page_of(shown.id), said)


def _dates(asked: Asked) -> list[date]:
    found = []
    for name in sorted(one for one in asked.form if one.startswith("date-")):
        text = asked.text(name)
        if text:
            found.append(_day(text))
    return found


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise DosingError(f"a date {text!r} was entered; write it as YYYY-MM-DD") from None


# ------------------------------------------------------------------------------------- handing over
def _preview(asked: Asked) -> Response:
    desk = _desk(asked)
    letter = _letter(asked, desk)
    page = letter_html(letter, stylesheet=f"/{STYLESHEET}", remark=_PREVIEW)
    return Response(page, media_type="text/html")


def _hand_letter(asked: Asked) -> Response | View:
    desk, form = _desk(asked), asked.text("form") or "pdf"
    assert asked.account is not None
    if form not in _FORMS:
        raise PageError(f"a letter as {form!r} was asked for; it is given as {', '.join(_FORMS)}")
    try:
        _check_language(asked, desk)
        letter = _letter(asked, desk)
        # made first: what cannot be set is not written down as handed over
        made = letter_pdf(letter) if form == "pdf" else _whole(letter)
        noted = _noting(asked, Action.LETTER_HANDED_OVER, desk.gate.dog_id)
        hand_over_letter(
            asked.practice,
            asked.records,
            desk,
            letter,
            account_id=asked.account.id,
            form_key=_form_key(asked),
            also=noted,
        )
    except LetterError as refused:
        return again(asked, refused)
    if form == "html":
        return Response(made, media_type="text/html")
    return _download(made, "application/pdf", f"letter-{desk.gate.dog_id}.pdf")


def _whole(letter: Letter) -> bytes:
    return letter_html(letter, stylesheet=f"/{STYLESHEET}").encode()


def _hand_calendar(asked: Asked) -> Response | View:
    desk = _desk(asked)
    dog_id = desk.gate.dog_id
    assert asked.account is not None
    try:
        _check_language(asked, desk)
        made = hand_over_calendar(
            asked.practice,
            asked.records,
            dog_id,
            therapy=desk.of.therapy,
            account_id=asked.account.id,
            times=_times(asked),
            form_key=_form_key(asked),
            also=_noting(asked, Action.CALENDAR_HANDED_OVER, dog_id),
        )
    except LetterError as refused:
        return again(asked, refused)
    return _download(made, MEDIA_TYPE, f"calendar-{dog_id}.ics")


def _check_language(asked: Asked, desk: Desk) -> None:
    """Refuse a form that was shown before the owner's language was recorded anew."""
    shown = asked.text("language")
    speaks = language_for(asked.practice.settings, desk.gate.language).speaks
    if shown not in ("", speaks.code):
        raise LetterError(
            f"this was to go out in {language_name(shown)}; by now the owner is written to in "
            f"{speaks.name}: read the letter and hand it over again"
        )


def _cancel_calendar(asked: Asked) -> Response | View:
    _, shown, _ = dog_asked(asked)
    assert asked.account is not None
    # whose calendar, by random ids as the page put them into its form
    of = Correspondence(shown.id, asked.text("owner") or None, asked.text("therapy"))
    try:
        made = hand_over_cancellation(
            asked.practice,
            asked.records,
            of,
            account_id=asked.account.id,
            form_key=_form_key(asked),
            also=_noting(asked, Action.CALENDAR_CANCELLED, shown.id),
        )
    except LetterError as refused:
        return again(asked, refused)
    return _download(made, MEDIA_TYPE, f"cancelled-{shown.id}.ics")


def _form_key(asked: Asked) -> str | None:
    return asked.text("once") or None


def _times(asked: Asked) -> dict[date, time | None]:
    """Return the times that the form holds; a field that was emptied takes back what was booked."""
    found: dict[date, time | None] = {}
    for name in asked.form:
        text = asked.text(name)
        if name.startswith("time-"):
            try:
                day = date.fromisoformat(name.removeprefix("time-"))
                found[day] = time.fromisoformat(text) if text else None
            except ValueError:
                raise LetterError(
                    f"a time {text!r} was booked; write it as hours and minutes, such as 10:30"
                ) from None
    return found


def _desk(asked: Asked) -> Desk:
    _, shown, rules = dog_asked(asked)
    kind = planned_ahead(rules)
    return desk_of(asked.practice, asked.records, shown.id, therapy=kind.id)


def _letter(asked: Asked, desk: Desk) -> Letter:
    """Make the letter; the owner's name is read where it may go out, and that is written down."""
    assert asked.account is not None
    desk.gate.check("a letter")
    assert desk.gate.owner_id is not None
    owner = read_contact(
        asked.records, desk.gate.owner_id, by=asked.account, now=asked.practice.now
    )
    vet = ""
    if desk.decision is not None:
        vet = people.account(asked.records, desk.decision.signed_by).name
    return letter_of(asked.practice, desk, owner="" if owner is None else owner.name, vet=vet)


def _download(content: bytes, kind: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def _stylesheet(_: Asked) -> Response:
    return Response(style(), media_type="text/css")


# ------------------------------------------------------------------------------------------- trial
def _trial(asked: Asked) -> View | GoTo:
    record, shown, _ = dog_asked(asked)
    assert asked.account is not None
    fields = {name: asked.text(name) for name in asked.form}
    today = asked.practice.local_date
    begun = care.trials_of(asked.records, shown.id)
    try:
        if asked.text("step") == "end":
            held = care.therapies_of(asked.records, shown.id)
            entries = trial_ended(fields, begun, record, held=held, today=today)
        else:
            entries = trial_begun(fields, record, today=today)
    except DosingError as refused:
        return again(asked, refused)
    keep_entries(asked, shown.id, entries, Action.CARE_RECORDED)
    said = entries[0].said
    return GoTo(_page_of(shown.id), f"{said[:1].upper()}{said[1:]}.")


def _noting(asked: Asked, action: Action, dog_id: str) -> Also:
    """Return what writes the line of the audit, in the transaction that does it."""
    assert asked.account is not None
    by, now = asked.account.id, asked.practice.now
    return lambda connection: note(connection, action, by=by, subject=dog_id, now=now)


_AT = f"{PATH}/{{dog}}/plan"
PAGES = (
    Page(f"{_AT}/sign", "dog-plan-sign", Right.SIGN_PLANS, _sign, methods=("POST",)),
    Page(f"{_AT}/letter", "dog-letter", Right.HAND_OVER, _preview),
    Page(f"{_AT}/letter/hand", "dog-letter-hand", Right.HAND_OVER, _hand_letter, methods=("POST",)),
    Page(f"{_AT}/calendar", "dog-calendar", Right.HAND_OVER, _hand_calendar, methods=("POST",)),
    Page(f"{_AT}/cancel", "dog-cancel", Right.HAND_OVER, _cancel_calendar, methods=("POST",)),
    Page(f"{_AT}/trial", "dog-trial", Right.RECORD_CARE, _trial, methods=("POST",)),
    Page(f"/{STYLESHEET}", "letter-style", Right.SEE_DOGS, _stylesheet),
)

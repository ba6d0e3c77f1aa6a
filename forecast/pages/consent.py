"""What an owner said at the desk about alerts: yes or no, by the practice's own number."""

from __future__ import annotations

from dataclasses import dataclass

from forecast.accounts.roles import Right
from forecast.alerts.unsubscribing import record_consent
from forecast.pages.dog_list import lists
from forecast.pages.dogs import theirs
from forecast.pages.page import Asked, GoTo, Page, View
from forecast.records.dogs import dogs_of_owner
from forecast.records.engine import RecordsError

_PATH = "/consent"
_NOT_TAKEN = 422
_ANSWERS = ("yes", "no")


@dataclass(frozen=True)
class ConsentPage:
    """What the form holds, and what was wrong with it."""

    number: str = ""
    answer: str = ""
    wrong: str = ""


def _consent(asked: Asked) -> View | GoTo:
    if asked.request.method != "POST":
        return View("consent.html", ConsentPage(number=asked.query.get("owner", "")))
    number, answer = asked.text("number"), asked.text("answer")
    wrong = ""
    if answer not in _ANSWERS:
        wrong = "Say whether the owner said yes or no."
    elif answer == "yes" and not _is_theirs(asked, number):
        wrong = "No owner of your branches has that number; a no is taken for anybody."
    else:
        try:
            record_consent(
                asked.records,
                number,
                answer,
                by=asked.account.id if asked.account else None,
                now=asked.practice.now,
                today=asked.practice.local_date,
            )
        except RecordsError as refused:
            wrong = f"{str(refused)[:1].upper()}{str(refused)[1:]}."
    if wrong:
        page = ConsentPage(number, answer, wrong)
        return View("consent.html", page, status=_NOT_TAKEN)
    return GoTo(_PATH, f"Noted: the owner {number} said {answer} to alerts by mail.")


def _is_theirs(asked: Asked, number: str) -> bool:
    """Say whether an owner has a dog of their branches; a no is nobody's to turn away."""
    assert asked.account is not None
    if not asked.account.branches:
        return True
    own = theirs(lists.listed(asked.practice, asked.records).rows, asked.account)
    return not dogs_of_owner(asked.records, number).isdisjoint(one.id for one in own)


PAGES = (
    Page(
        _PATH,
        "consent",
        Right.SEE_CONTACTS,
        _consent,
        methods=("GET", "POST"),
        max_bytes=8 * 1024,
        menu="Consent",
    ),
)

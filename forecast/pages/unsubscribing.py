"""The page at which the link in a mail to an owner ends: one click, and no more of these messages.

Nobody need be signed in, and nothing tells whose link it is. Mail programs send the form by
themselves (RFC 8058); whoever opens the link in a browser sees a question first, as programs that
look for harm open every link.
"""

from __future__ import annotations

from dataclasses import dataclass

from forecast.alerts import messages
from forecast.alerts.desk import first_language_of
from forecast.alerts.unsubscribing import PATH, LinkError, check_token, unsubscribe
from forecast.pages.page import Asked, NotFoundError, Page, View

_FIELD, _ONE_CLICK = "List-Unsubscribe", "One-Click"


@dataclass(frozen=True)
class UnsubscribePage:
    """What the page says, in the language mails begin with; `button` is empty once it is done."""

    language: str
    headline: str
    explained: str
    button: str = ""


def _unsubscribe(asked: Asked) -> View:
    section = asked.practice.settings.practice
    speaks, token = first_language_of(asked.practice), asked.path["token"]
    is_click = asked.request.method == "POST" and asked.text(_FIELD) == _ONE_CLICK
    try:
        if is_click:
            unsubscribe(asked.records, token, now=asked.practice.now)
        else:
            check_token(asked.records, token, now=asked.practice.now)
    except LinkError as refused:
        raise NotFoundError(str(refused)) from None
    told = (messages.STOPPED, messages.STOPPED_EXPLAINED)
    if not is_click:
        told = (messages.STOP_ASKED, messages.STOP_EXPLAINED)
    page = UnsubscribePage(
        speaks.code,
        speaks.say(told[0], practice=section.name),
        speaks.say(told[1]),
        "" if is_click else speaks.say(messages.STOP_BUTTON),
    )
    return View("unsubscribe.html", page)


PAGES = (
    Page(
        PATH + "{token}",
        "unsubscribe",
        None,
        _unsubscribe,
        methods=("GET", "POST"),
        max_bytes=8 * 1024,
        is_one_click=True,
    ),
)

"""What is done from the page of one alert: edited, approved, refused, or thrown away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from forecast.accounts.roles import Right
from forecast.alerts import approving, desk
from forecast.alerts.checking import TextError
from forecast.pages.alert import alert_page, asked_alert
from forecast.pages.alerts import PATH, by_whom
from forecast.pages.page import Asked, GoTo, Page, View
from forecast.records import alerts as held

_NOT_TAKEN = 422


def _edit(asked: Asked) -> View | GoTo:
    made = asked_alert(asked)
    code, subject, body = (asked.text(name) for name in ("language", "subject", "body"))
    try:
        text = desk.edit(
            asked.records,
            made.id,
            code,
            subject=subject,
            body=body,
            by=by_whom(asked),
            now=asked.practice.now,
        )
    except TextError as refused:
        said = f"Not kept: {refused}."
        typed = {"language": code, "subject": subject, "body": body}
        page = replace(alert_page(asked, made), wrong=said, typed=typed)
        return View("alert.html", page, status=_NOT_TAKEN)
    return GoTo(f"{PATH}/{made.id}", f"Version {text.number} is kept; another person approves it.")


def _approve(asked: Asked) -> GoTo:
    made = asked_alert(asked)
    done = approving.approve(
        asked.practice,
        asked.records,
        made.id,
        shown_sha256=asked.text("sha256"),
        n_recipients=_shown_number(asked),
        by=by_whom(asked),
    )
    if done.state == held.APPROVED:
        return GoTo(
            f"{PATH}/{made.id}", "Approved. It is not sent by this; sending is another step."
        )
    return GoTo(
        f"{PATH}/{made.id}", "Your approval is noted; another person has to approve it too."
    )


def _shown_number(asked: Asked) -> int | None:
    text = asked.text("n_recipients")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def _refuse(asked: Asked) -> GoTo:
    made = asked_alert(asked)
    approving.refuse(
        asked.records,
        made.id,
        remark=asked.text("remark")[:500],
        by=by_whom(asked),
        now=asked.practice.now,
    )
    return GoTo(f"{PATH}/{made.id}", "Your no is noted; change the text, or throw the draft away.")


def _discard(asked: Asked) -> GoTo:
    made = asked_alert(asked)
    desk.discard(asked.records, made.id, by=by_whom(asked), now=asked.practice.now)
    return GoTo(PATH, "The draft is thrown away; what was written stays on record.")


def _post(what: str, handler: Any) -> Page:
    path = f"{PATH}/{{alert}}/{what}"
    return Page(path, f"{what}-alert", Right.PREPARE_ALERTS, handler, methods=("POST",))


PAGES: Sequence[Page] = (
    _post("edit", _edit),
    _post("approve", _approve),
    _post("refuse", _refuse),
    _post("discard", _discard),
)

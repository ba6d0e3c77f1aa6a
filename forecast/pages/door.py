"""The door in front of every page: who sits there, may they, and what every page is given.

Sign-in, sessions, origins, headers and limits meet the web here; who people are and what they may
is `forecast.accounts`.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any
from urllib.parse import quote

from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from forecast.accounts.limits import span
from forecast.accounts.sessions import is_due_to_be_noted, note_said, note_seen
from forecast.accounts.signing_in import who_sits
from forecast.accounts.tokens import fingerprint
from forecast.pages.addresses import Addresses, addresses
from forecast.pages.answering import environment
from forecast.pages.bodies import read_form
from forecast.pages.guard import Guard, is_vouched_for
from forecast.pages.opened import OpenedPractice
from forecast.pages.page import NotFoundError, Page, PageError
from forecast.pages.sitting import STRANGER, Sitting
from forecast.practice import Practice, PracticeError
from forecast.records.branches import branches
from forecast.settings_pages import PagesSection

__all__ = ["Door", "Sitting"]

SIGN_IN, SECOND_FACTOR = "/sign-in", "/second-factor"
_SESSION, _BROWSER, _FORM_TOKEN = "forepaw-session", "forepaw-browser", "form_token"
_OF_THIS_HOST = "__Host-"  # a prefix by which browsers hold a cookie to TLS, host and path


@dataclass(frozen=True)
class MenuItem:
    """One line of the menu."""

    path: str
    words: str
    is_here: bool


class ElsewhereError(PageError):
    """A form of which nobody can tell where it came from."""

    status = 403


class Door:
    """What stands in front of the pages of one installation."""

    def __init__(self, known_as: Addresses | None = None) -> None:
        self.addresses = addresses(PagesSection()) if known_as is None else known_as
        self._opened: OpenedPractice | None = None
        self._menu: Sequence[Page] = ()

    def open(self, opened: OpenedPractice, pages: Sequence[Page]) -> None:
        """Take in which practice it is the door of, and to which pages it leads."""
        self._opened = opened
        self._menu = [page for page in pages if page.menu]

    def middleware(self) -> list[Middleware]:
        """Return headers, hosts and origins."""

        def refuse(request: Request, sentence: str, status: int) -> Response:
            return self.refused(request, STRANGER, sentence, status)

        guard: Any = partial(Guard, addresses=self.addresses, refuse=refuse)
        return [Middleware(guard)]

    # ------------------------------------------------------------------------------------ who asks
    def who(self, request: Request, opened: OpenedPractice) -> Sitting:
        """Say who asks, by the session's cookie."""
        token = request.cookies.get(self._cookie(_SESSION), "")
        stranger = Sitting(
            None,
            browser=request.cookies.get(self._cookie(_BROWSER)),
            address=request.client.host if request.client else "",
        )
        if not token:
            return stranger
        practice = opened.practice()
        today, now = practice.local_date, practice.now
        found = who_sits(opened.records, token, today=today, now=now)
        if found is None:
            return stranger
        session, account = found
        if _is_by_a_person(request) and is_due_to_be_noted(session, now):
            note_seen(opened.records, session, now=now)
        here = replace(stranger, session=session, token=token)
        if not session.is_whole:
            return here
        regions = None
        if account.branches:
            held = branches(opened.records)
            regions = frozenset(held[one].region_id for one in account.branches)
        return replace(here, account=account, said=session.said, regions=regions)

    def refusal(self, request: Request, page: Page, sitting: Sitting) -> Response | None:
        """Return what to answer instead of a page they may not see; None if they may."""
        if page.needs is None:
            return None
        if sitting.account is None:
            return self._to_sign_in(request, sitting)
        if not sitting.account.may(page.needs):
            sentence = (
                f"to {page.needs.value} is not part of the role {sitting.account.role.value}; an "
                "administrator of the practice gives roles"
            )
            return self.refused(request, sitting, sentence, 403)
        if not _is_theirs(request, sitting):
            sentence = "there is nothing at this address for your branches"
            return self.refused(request, sitting, sentence, NotFoundError.status)
        return None

    def _to_sign_in(self, request: Request, sitting: Sitting) -> Response:
        if request.method not in ("GET", "HEAD") or _wants(request) != "html":
            sentence = "nobody is signed in here, or the session has ended; sign in and try again"
            return self.refused(request, sitting, sentence, 401)
        if sitting.owes_second_factor:
            return RedirectResponse(SECOND_FACTOR, 303)
        query = f"?{request.url.query}" if request.url.query else ""
        wanted = quote(f"{request.url.path}{query}", safe="")
        return RedirectResponse(SIGN_IN if wanted == "%2F" else f"{SIGN_IN}?next={wanted}", 303)

    # --------------------------------------------------------------------------------------- forms
    async def form(self, request: Request, page: Page) -> Mapping[str, Any]:
        """Read a form within the page's limit."""
        if request.method != "POST":
            return {}
        sitting = getattr(request.state, "sitting", STRANGER)
        form = await read_form(request, page)
        is_known = page.is_one_click or is_vouched_for(request)
        if not is_known and not _carries_token(form, sitting):
            await form.close()
            raise ElsewhereError(
                "this browser does not tell where a form comes from, so it was not taken; open "
                "the page again and send it from there, or use a newer browser"
            )
        return form

    # ------------------------------------------------------------------------------------- answers
    def remember(self, response: Response, sitting: Sitting, said: str) -> Response:
        """Have a sentence shown once on the page that follows; strangers are told none."""
        if said and sitting.session is not None and self._opened is not None:
            note_said(self._opened.records, sitting.session.id, said)
        return response

    def hand_over(
        self, response: Response, session: str, browser: str | None, opened: OpenedPractice
    ) -> Sitting:
        """Let the browser carry a new session, or none (""); return who sits there then."""
        if browser:
            self._set_cookie(response, _BROWSER, browser, span("browser.known_for").days)
        if not session:
            secure = self.addresses.is_secure
            response.delete_cookie(
                self._cookie(_SESSION), path="/", secure=secure, httponly=True, samesite="lax"
            )
            return STRANGER
        self._set_cookie(response, _SESSION, session)
        practice = opened.practice()
        today, now = practice.local_date, practice.now
        found = who_sits(opened.records, session, today=today, now=now)
        if found is None:
            return STRANGER
        held, account = found
        return Sitting(account if held.is_whole else None, session=held, token=session)

    def around(self, request: Request, sitting: Sitting) -> dict[str, Any]:
        """Return what every template is given besides its page: who, where, what was said."""
        if sitting.said and sitting.session is not None and self._opened is not None:
            note_said(self._opened.records, sitting.session.id, None)
        return self._around(request, sitting, sitting.said)

    def _around(self, request: Request, sitting: Sitting, said: str) -> dict[str, Any]:
        practice = self._practice()
        account, here = sitting.account, request.url.path
        menu = [
            MenuItem(page.path, page.menu, _is_below(here, page.path))
            for page in self._menu
            if account is not None and (page.needs is None or account.may(page.needs))
        ]
        token = form_token(sitting)
        hidden = Markup('<input type="hidden" name="{}" value="{}">').format(_FORM_TOKEN, token)
        return {
            "practice_name": practice.settings.practice.name if practice else "",
            "invented": practice.settings.practice.invented if practice else False,
            "account": account,
            "menu": menu,
            "said": said,
            "form_token": lambda: hidden if token else "",
        }

    def _practice(self) -> Practice | None:
        """Return the practice; None where its settings cannot be read, which is told elsewhere."""
        try:
            return None if self._opened is None else self._opened.practice()
        except PracticeError:
            return None

    def refused(self, request: Request, sitting: Sitting, sentence: str, status: int) -> Response:
        """Show a refusal as a page of its own, or as JSON where that was asked."""
        wanted = _wants(request)
        if wanted == "json":
            text = json.dumps({"refused": sentence, "status": status}, ensure_ascii=False)
            return Response(text, status, media_type="application/json")
        if wanted == "csv":
            return PlainTextResponse(f"{sentence}\n", status)
        around = self._around(request, sitting, "")
        page = {"sentence": sentence[:1].upper() + sentence[1:], "status": status}
        template = environment().get_template("refused.html")
        return Response(template.render(page=page, **around), status, media_type="text/html")

    # ------------------------------------------------------------------------------------- cookies
    def _cookie(self, name: str) -> str:
        return f"{_OF_THIS_HOST}{name}" if self.addresses.is_secure else name

    def _set_cookie(
        self, response: Response, name: str, value: str, days: int | None = None
    ) -> None:
        response.set_cookie(
            self._cookie(name),
            value,
            max_age=None if days is None else days * 24 * 60 * 60,
            path="/",
            secure=self.addresses.is_secure,
            httponly=True,
            samesite="lax",
        )


def form_token(sitting: Sitting) -> str:
    """Return what the forms of a session carry, for browsers that do not tell of origins."""
    return fingerprint(f"form:{sitting.token}") if sitting.token else ""


def _carries_token(form: FormData, sitting: Sitting) -> bool:
    wanted, given = form_token(sitting), form.get(_FORM_TOKEN)
    return (
        bool(wanted)
        and isinstance(given, str)
        and hmac.compare_digest(wanted.encode(), given.encode("utf-8", "surrogatepass"))
    )


def _is_theirs(request: Request, sitting: Sitting) -> bool:
    """Whether the region or branch that the address names is one that they may see."""
    assert sitting.account is not None
    if sitting.regions is None:
        return True
    region, branch = request.path_params.get("region"), request.path_params.get("branch")
    return (region is None or region in sitting.regions) and (
        branch is None or branch in sitting.account.branches
    )


def _wants(request: Request) -> str:
    for kind in ("json", "csv"):
        if request.url.path.endswith(f".{kind}"):
            return kind
    accepted = request.headers.get("accept", "")
    return "json" if "application/json" in accepted and "text/html" not in accepted else "html"


def _is_by_a_person(request: Request) -> bool:
    """Whether somebody asked for it, and not a page left open that asks how a request goes on."""
    mode = request.headers.get("sec-fetch-mode")
    return request.method == "POST" or mode in (None, "navigate")


def _is_below(here: str, path: str) -> bool:
    return here == path or (path != "/" and here.startswith(f"{path}/"))

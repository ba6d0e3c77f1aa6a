"""Signing in and out, the second factor, and the page at which a one-time link ends."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote, urlsplit

from forecast.accounts.limits import count
from forecast.accounts.links import PATH, account_of_link, use_link
from forecast.accounts.passwords import PasswordError
from forecast.accounts.people import AccountError
from forecast.accounts.person import Account
from forecast.accounts.signing_in import (
    SignInError,
    WaitError,
    give_second_factor,
    sign_in,
    sign_out,
)
from forecast.pages.door import SECOND_FACTOR, SIGN_IN
from forecast.pages.page import Asked, GoTo, Method, NotFoundError, Page, View

_NOT_TAKEN, _TOO_MANY = 422, 429


@dataclass(frozen=True)
class SignInPage:
    """What the page to sign in says; `next_path` is where it leads."""

    next_path: str
    email: str = ""
    wrong: str = ""
    is_signed_out: bool = False


@dataclass(frozen=True)
class SecondFactorPage:
    """What the page says that asks for a code."""

    next_path: str
    wrong: str = ""


@dataclass(frozen=True)
class InvitationPage:
    """What the page says at which a one-time link ends.

    `is_new` where nobody has taken the account up yet, and so name and address are asked too.
    """

    is_new: bool
    name: str
    email: str
    role: str
    is_first_password: bool
    shortest: int
    wrong: str = ""


def own_path(text: str) -> str:
    """Return a path of this service that was asked for; its first page if it is of another."""
    parts = urlsplit(text)
    is_own = text.startswith("/") and not text.startswith(("//", "/\\"))
    if not is_own or parts.scheme or parts.netloc or not text.isprintable() or "\\" in text:
        return "/"
    return text


def _sign_in(asked: Asked) -> View | GoTo:
    wanted = own_path(asked.text("next") or asked.query.get("next", "/"))
    if asked.request.method != "POST":
        if asked.account is not None:
            return GoTo(wanted)
        return View("sign_in.html", SignInPage(wanted, is_signed_out="out" in asked.query))
    email, password = asked.text("email"), asked.form.get("password")
    try:
        done = sign_in(
            asked.records,
            email,
            password if isinstance(password, str) else "",
            address=asked.sitting.address,
            browser=asked.sitting.browser,
            today=asked.practice.local_date,
            now=asked.practice.now,
        )
    except SignInError as refused:
        page = SignInPage(wanted, email, _as_sentence(refused))
        return View("sign_in.html", page, status=_status(refused))
    _leave(asked)
    if done.is_whole:
        return GoTo(wanted, session=done.token, browser=done.browser)
    return GoTo(_with_next(SECOND_FACTOR, wanted), session=done.token, browser=done.browser)


def _second_factor(asked: Asked) -> View | GoTo:
    wanted = own_path(asked.text("next") or asked.query.get("next", "/"))
    session = asked.sitting.session
    if session is None or session.is_whole:
        return GoTo(wanted)
    if asked.request.method != "POST":
        return View("second_factor.html", SecondFactorPage(wanted))
    try:
        token = give_second_factor(
            asked.records,
            session,
            asked.text("code"),
            address=asked.sitting.address,
            now=asked.practice.now,
        )
    except SignInError as refused:
        page = SecondFactorPage(wanted, _as_sentence(refused))
        return View("second_factor.html", page, status=_status(refused))
    return GoTo(wanted, session=token)


def _sign_out(asked: Asked) -> GoTo:
    _leave(asked)
    return GoTo(f"{SIGN_IN}?out", session="")


def _leave(asked: Asked) -> None:
    """End the session that the browser had until now."""
    if asked.sitting.session is not None:
        sign_out(asked.records, asked.sitting.session, now=asked.practice.now)


def _invitation(asked: Asked) -> View | GoTo:
    token, today = asked.path["token"], asked.practice.local_date
    now = asked.practice.now
    try:
        held = account_of_link(asked.records, token, today=today, now=now)
    except AccountError as refused:
        raise NotFoundError(str(refused)) from None
    if asked.request.method != "POST":
        return View("invitation.html", _invitation_page(held, asked))
    password, again = asked.form.get("password"), asked.form.get("again")
    if not isinstance(password, str) or password != again:
        wrong = "The two passwords are not the same; type the same one twice."
        return View("invitation.html", _invitation_page(held, asked, wrong), status=_NOT_TAKEN)
    try:
        session = use_link(
            asked.records,
            token,
            password,
            name=asked.text("name"),
            email=asked.text("email"),
            known=[asked.practice.settings.practice.name],
            today=today,
            now=now,
        )
    except (PasswordError, AccountError) as refused:
        page = _invitation_page(held, asked, _as_sentence(refused))
        return View("invitation.html", page, status=_NOT_TAKEN)
    _leave(asked)
    return GoTo("/", "Your password is set, and you are signed in.", session=session)


def _invitation_page(held: Account, asked: Asked, wrong: str = "") -> InvitationPage:
    return InvitationPage(
        is_new=not held.email,
        name=held.name or asked.text("name"),
        email=held.email or asked.text("email"),
        role=held.role.value,
        is_first_password=not held.has_password,
        shortest=count("password.shortest"),
        wrong=wrong,
    )


def _with_next(path: str, wanted: str) -> str:

    return path if wanted == "/" else f"{path}?next={quote(wanted, safe='')}"


def _status(refused: SignInError) -> int:
    return _TOO_MANY if isinstance(refused, WaitError) else _NOT_TAKEN


def _as_sentence(refused: Exception) -> str:
    text = str(refused)
    return f"{text[:1].upper()}{text[1:]}."


_BOTH: tuple[Method, ...] = ("GET", "POST")
PAGES = (
    Page(SIGN_IN, "sign-in", None, _sign_in, methods=_BOTH, max_bytes=16 * 1024),
    Page(SECOND_FACTOR, "second-factor", None, _second_factor, methods=_BOTH, max_bytes=8 * 1024),
    Page("/sign-out", "sign-out", None, _sign_out, methods=("POST",), max_bytes=8 * 1024),
    Page(PATH + "{token}", "invitation", None, _invitation, methods=_BOTH, max_bytes=16 * 1024),
)

"""One's own account: the password, the second factor, and where one is signed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from forecast.accounts import second_factor
from forecast.accounts.limits import count, span
from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.accounts.sessions import end, end_others, sessions_of
from forecast.accounts.signing_in import change_password, confirm_password
from forecast.pages.page import Asked, GoTo, Method, NotFoundError, Page, View
from models.errors import ForepawError

PATH = "/account"
_NOT_TAKEN = 422


@dataclass(frozen=True)
class SessionRow:
    """One browser at which one is signed in."""

    id: str
    begun_at: datetime
    seen_at: datetime
    is_this: bool


@dataclass(frozen=True)
class AccountPage:
    """What the page of one's own account says."""

    name: str
    email: str
    role: str
    rights: tuple[str, ...]
    branches: tuple[str, ...]
    sessions: tuple[SessionRow, ...]
    idle_minutes: int
    absolute_hours: int
    has_second_factor: bool
    codes_left: int
    shortest: int
    wrong: str = ""


@dataclass(frozen=True)
class NewFactorPage:
    """What an authenticator is given, once: as a QR code, and as text to type."""

    secret: str
    qr_code: Markup
    address: str
    wrong: str = ""


@dataclass(frozen=True)
class CodesPage:
    """The recovery codes, shown once."""

    codes: tuple[str, ...]


def _account(asked: Asked) -> View:
    return View("account.html", _page(asked))


def _page(asked: Asked, wrong: str = "") -> AccountPage:
    account, sitting = _signed_in(asked), asked.sitting
    here = sitting.session.id if sitting.session else ""
    rows = sessions_of(asked.records, account.id, now=asked.practice.now)
    zone = asked.practice.time_zone
    return AccountPage(
        name=account.name,
        email=account.email,
        role=account.role.value,
        rights=tuple(right.value for right in Right if account.may(right)),
        branches=account.branches,
        sessions=tuple(
            SessionRow(
                one.id, one.begun_at.astimezone(zone), one.seen_at.astimezone(zone), one.id == here
            )
            for one in rows
        ),
        idle_minutes=round(span("session.idle").total_seconds() / 60),
        absolute_hours=round(span("session.absolute").total_seconds() / 3600),
        has_second_factor=account.has_second_factor,
        codes_left=second_factor.codes_left(asked.records, account.id),
        shortest=count("password.shortest"),
        wrong=wrong,
    )


def _signed_in(asked: Asked) -> Account:
    assert asked.account is not None  # the door lets nobody else here
    return asked.account


def _password(asked: Asked) -> View | GoTo:
    account, new = _signed_in(asked), _typed(asked, "new")
    if new != _typed(asked, "again"):
        return _refused(asked, "The two new passwords are not the same; nothing was changed.")
    try:
        token = change_password(
            asked.records,
            account,
            old=_typed(asked, "old"),
            new=new,
            address=asked.sitting.address,
            known=[asked.practice.settings.practice.name],
            now=asked.practice.now,
        )
    except ForepawError as refused:
        return _refused(asked, _sentence(refused))
    said = "The password is changed; wherever else you were signed in, that has ended."
    return GoTo(PATH, said, session=token)


def _new_factor(asked: Asked) -> View | GoTo:
    """Show a secret and take it once its first code is right; until then nothing is kept."""
    account = _signed_in(asked)
    if account.has_second_factor:
        return GoTo(PATH, "The second factor is on already.")
    if asked.request.method != "POST":
        return View("new_factor.html", _factor_page(asked, second_factor.new_secret()))
    secret = asked.text("secret")
    if not second_factor.is_a_secret(secret):
        return GoTo(f"{PATH}/second-factor")
    try:
        confirm_password(
            asked.records,
            account,
            _typed(asked, "password"),
            address=asked.sitting.address,
            now=asked.practice.now,
        )
        token, codes = second_factor.switch_on(
            asked.records, account.id, secret, asked.text("code"), now=asked.practice.now
        )
    except ForepawError as refused:
        page = _factor_page(asked, secret, _sentence(refused))
        return View("new_factor.html", page, status=_NOT_TAKEN)
    return View("codes.html", CodesPage(tuple(codes)), session=token)


def _factor_page(asked: Asked, secret: str, wrong: str = "") -> NewFactorPage:
    practice = asked.practice.settings.practice.name
    address = second_factor.address_of(secret, email=_signed_in(asked).email, practice=practice)
    drawn = Markup(second_factor.qr_code(address))  # noqa: S704  drawn here, of squares alone
    return NewFactorPage(secret, drawn, address, wrong)


def _no_factor(asked: Asked) -> View | GoTo:
    account = _signed_in(asked)
    try:
        confirm_password(
            asked.records,
            account,
            _typed(asked, "password"),
            address=asked.sitting.address,
            now=asked.practice.now,
        )
    except ForepawError as refused:
        return _refused(asked, _sentence(refused))
    token = second_factor.switch_off(asked.records, account.id, now=asked.practice.now)
    return GoTo(PATH, "The second factor is off.", session=token)


def _end_session(asked: Asked) -> GoTo:
    account, wanted = _signed_in(asked), asked.path["session"]
    found = [
        one
        for one in sessions_of(asked.records, account.id, now=asked.practice.now)
        if one.id == wanted
    ]
    if not found:
        raise NotFoundError("this session has ended already")
    end(asked.records, found[0], by=account.id, now=asked.practice.now)
    return GoTo(PATH, "That session has ended.")


def _end_others(asked: Asked) -> GoTo:
    assert asked.sitting.session is not None
    end_others(asked.records, asked.sitting.session, now=asked.practice.now)
    return GoTo(PATH, "Wherever else you were signed in, that has ended.")


def _refused(asked: Asked, wrong: str) -> View:
    return View("account.html", _page(asked, wrong), status=_NOT_TAKEN)


def _typed(asked: Asked, name: str) -> str:
    """Return a password as it was typed, blanks and all."""
    value = asked.form.get(name)
    return value if isinstance(value, str) else ""


def _sentence(refused: Exception) -> str:
    text = str(refused)
    return f"{text[:1].upper()}{text[1:]}."


_BOTH: tuple[Method, ...] = ("GET", "POST")
_OWN = Right.OWN_ACCOUNT
PAGES = (
    Page(PATH, "account", _OWN, _account),
    Page(f"{PATH}/password", "change-password", _OWN, _password, methods=("POST",)),
    Page(f"{PATH}/second-factor", "new-second-factor", _OWN, _new_factor, methods=_BOTH),
    Page(f"{PATH}/second-factor/off", "no-second-factor", _OWN, _no_factor, methods=("POST",)),
    Page(f"{PATH}/sessions/end-others", "end-others", _OWN, _end_others, methods=("POST",)),
    Page(f"{PATH}/sessions/{{session}}/end", "end-session", _OWN, _end_session, methods=("POST",)),
)

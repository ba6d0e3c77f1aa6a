"""The second factor: codes of an authenticator (TOTP, RFC 6238), or recovery codes on paper.

A code is taken once: the step of the last one is kept, and none at or before it is good again.
"""

from __future__ import annotations

import io
import secrets
from datetime import datetime

import pyotp
import segno
from sqlalchemy import Connection, delete, select, update

from forecast.accounts.audit import Action, note
from forecast.accounts.limits import count
from forecast.accounts.links import drop_second_factor
from forecast.accounts.sessions import begin, end_all
from forecast.accounts.tokens import fingerprint
from forecast.records import account_tables as tables
from forecast.records.engine import Records
from models.errors import ForepawError

_CODE_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another
_BASE_32 = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_CODE_LENGTH = 16  # 79 random bits


class SecondFactorError(ForepawError):
    """A second factor that is not right, or cannot be switched on or off as was asked."""


def new_secret() -> str:
    """Return a new secret for an authenticator (160 bits, base 32)."""
    return pyotp.random_base32()


def is_a_secret(text: str) -> bool:
    """Whether a text is a secret as `new_secret` makes them."""
    return len(text) == len(new_secret()) and set(text) <= set(_BASE_32)


def address_of(secret: str, *, email: str, practice: str) -> str:
    """Return what an authenticator reads from a QR code."""
    return pyotp.TOTP(secret).provisioning_uri(name=email, issuer_name=f"forepaw {practice}")


def qr_code(address: str) -> str:
    """Return a QR code as an SVG element without styles, for a page under a strict policy."""
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        out, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=4, light="#fff",
        svgclass=None, lineclass=None, title="QR code for an authenticator",
    )  # fmt: skip
    return out.getvalue().decode("utf-8")


def step_of(secret: str, code: str, *, now: datetime) -> int | None:
    """Return the time step whose code this is, None where it is none of those around now."""
    digits = "".join(code.split())
    if not (digits.isascii() and digits.isdigit()):
        return None
    totp = pyotp.TOTP(secret, interval=count("second_factor.step"))
    around = count("second_factor.steps_around")
    present = totp.timecode(now)
    for step in range(present - around, present + around + 1):
        if pyotp.utils.strings_equal(digits, totp.generate_otp(step)):
            return step
    return None


def switch_on(
    records: Records, account_id: str, secret: str, code: str, *, now: datetime
) -> tuple[str, list[str]]:
    """Switch the second factor on; return the token of a new session and the recovery codes.

    All sessions of the account end: those that began without it must not go on.
    """
    step = step_of(secret, code, now=now)
    if step is None:
        raise SecondFactorError(
            "the code does not fit; type the six digits that the authenticator shows now, and look "
            "whether its clock is right"
        )
    table = tables.account
    with records.writing() as connection:
        values = {"totp_secret": secret, "totp_step": step}
        connection.execute(update(table).where(table.c.id == account_id).values(values))
        codes = _new_codes(connection, account_id)
        end_all(connection, account_id)
        note(connection, Action.SECOND_FACTOR_ON, by=account_id, subject=account_id, now=now)
        return begin(connection, account_id, now=now), codes


def switch_off(records: Records, account_id: str, *, now: datetime) -> str:
    """Switch it off; all sessions end. Return the token of a new one."""
    with records.writing() as connection:
        drop_second_factor(connection, account_id, by=account_id, now=now)
        end_all(connection, account_id)
        return begin(connection, account_id, now=now)


def take_code(connection: Connection, account_id: str, code: str, *, now: datetime) -> bool:
    """Take a code of the authenticator or a recovery code, each once; whether it was right."""
    table = tables.account
    query = select(table.c.totp_secret, table.c.totp_step).where(table.c.id == account_id)
    row = connection.execute(query).first()
    if row is None or row.totp_secret is None:
        return False
    step = step_of(row.totp_secret, code, now=now)
    if step is not None:
        if row.totp_step is not None and step <= row.totp_step:
            return False
        connection.execute(update(table).where(table.c.id == account_id).values(totp_step=step))
        return True
    codes = tables.recovery_code
    own = delete(codes).where(
        codes.c.account_id == account_id, codes.c.code_sha256 == fingerprint(_as_kept(code))
    )
    if connection.execute(own).rowcount == 0:
        return False
    note(connection, Action.RECOVERY_CODE_USED, by=account_id, subject=account_id, now=now)
    return True


def codes_left(records: Records, account_id: str) -> int:
    """Return how many recovery codes an account has not used yet."""
    codes = tables.recovery_code
    query = select(codes.c.code_sha256).where(codes.c.account_id == account_id)
    with records.reading() as connection:
        return len(connection.scalars(query).all())


def _new_codes(connection: Connection, account_id: str) -> list[str]:
    codes, made = tables.recovery_code, []
    connection.execute(delete(codes).where(codes.c.account_id == account_id))
    for _ in range(count("second_factor.recovery_codes")):
        code = "".join(secrets.choice(_CODE_LETTERS) for _ in range(_CODE_LENGTH))
        kept = {"account_id": account_id, "code_sha256": fingerprint(code)}
        connection.execute(codes.insert().values(kept))
        made.append("-".join(code[start : start + 4] for start in range(0, _CODE_LENGTH, 4)))
    return made


def _as_kept(code: str) -> str:
    return "".join(letter for letter in code.casefold() if letter.isalnum())

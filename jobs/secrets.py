"""Reading secrets: one file each in the practice's folder ``secrets``, or the environment.

The environment goes first. A file that others on the machine can read is refused.
"""

from __future__ import annotations

import stat
from collections.abc import Mapping
from pathlib import Path

from models.errors import ForepawError


class SecretError(ForepawError):
    """A secret cannot be used as it stands; the sentence never holds the secret."""


def read_secret(
    file: Path,
    variable: str,
    *,
    environment: Mapping[str, str],
    what: str = "key",
    blanks: bool = False,
) -> str | None:
    """Return a secret, None where there is none.

    Parameters
    ----------
    file
        Where it stands if the environment does not give it.
    variable
        The environment variable that goes first; an empty one counts as none.
    what
        What it is, for the sentences: key, password.
    blanks
        Whether it may have blanks within, as a password may.

    Raises
    ------
    SecretError
        If it is empty or no single line of text, or others can read the file.
    """
    if environment.get(variable, "").strip():
        return _usable(environment[variable], what, f"the environment variable {variable}", blanks)
    if not file.is_file():
        return None
    if others_may(file):
        raise SecretError(
            f"the {what} in {file} can be read by others on this machine; make it its owner's "
            f"alone: chmod 600 {file}"
        )
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SecretError(f"the {what} in {file} cannot be read; write it as one line") from error
    return _usable(text, what, f"the file {file}", blanks)


def others_may(path: Path) -> bool:
    """Whether anybody but its owner may read, change or enter a file or folder."""
    return bool(stat.S_IMODE(path.stat().st_mode) & (stat.S_IRWXG | stat.S_IRWXO))


def _usable(text: str, what: str, where: str, blanks: bool) -> str:
    secret = text.strip("\r\n") if blanks else text.strip()
    allowed = secret.isprintable() if blanks else secret.isascii() and secret.isprintable()
    if not secret or not allowed or (" " in secret and not blanks):
        raise SecretError(
            f"the {what} in {where} is empty, or has blanks or signs that none has; write the "
            f"{what} alone, in one line"
        )
    return secret

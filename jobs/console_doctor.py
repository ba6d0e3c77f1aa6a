"""What `forepaw doctor` prints: for a person, or as JSON for whatever watches machines."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from textwrap import wrap

from rich.text import Text

from jobs.console import INDENT, console
from jobs.doctor import Check, exit_code

_STYLES = {"ok": "green", "warn": "yellow", "fail": "bold red", "not known": "magenta"}
_VERDICTS = (
    "All is fine.",
    "It works, and something wants attention.",
    "Something is broken: mend what is marked fail first.",
)
_STATE, _NAME = 11, 15  # widths of columns


def show_checks(checks: Sequence[Check]) -> None:
    """Print how each thing stands, what to do about it, and the whole in a sentence."""
    inset = _STATE + _NAME + 2 * INDENT
    width = max(console.width - inset, 20)
    for check in _gathered(checks):
        name = wrap(check.name, _NAME) or [""]
        told = wrap(check.sentence, width) or [""]
        if check.what_to_do:
            told += wrap(f"-> {check.what_to_do}", width, subsequent_indent="   ")
        for at in range(max(len(name), len(told))):
            line = Text(" " * INDENT)
            state = check.state if at == 0 else ""
            line.append(f"{state:<{_STATE}}", style=_STYLES[check.state])
            line.append(f"{name[at] if at < len(name) else '':<{_NAME + INDENT}}")
            line.append(told[at] if at < len(told) else "")
            line.rstrip()
            console.print(line, soft_wrap=True)
    console.print()
    console.print(Text(_VERDICTS[exit_code(checks)], style="bold"))


def _gathered(checks: Sequence[Check]) -> list[Check]:
    """Put those that were not looked at for one reason into one, where the first of them stood."""
    found: dict[object, list[Check]] = {}
    for at, check in enumerate(checks):
        reason = (check.sentence, check.what_to_do) if check.state == "not known" else at
        found.setdefault(reason, []).append(check)
    return [
        same[0]
        if len(same) == 1
        else replace(
            same[0],
            name=f"{len(same)} others",
            sentence=f"{', '.join(one.name for one in same)}: {same[0].sentence}",
        )
        for same in found.values()
    ]


def print_json(checks: Sequence[Check], *, now: datetime) -> None:
    """Print the checks as one JSON object."""
    told = {
        "checked_at": now.isoformat(timespec="seconds"),
        "exit_code": exit_code(checks),
        "checks": [vars(check) for check in checks],
    }
    console.print(json.dumps(told, ensure_ascii=False, indent=2), soft_wrap=True, markup=False)

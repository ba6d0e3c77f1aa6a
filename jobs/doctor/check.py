"""A check: what was looked at, how it stands, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

State = Literal["ok", "warn", "fail", "not known"]
FINE, ATTENTION, FAILING = 0, 1, 2


@dataclass(frozen=True)
class Check:
    """One thing that was looked at. `what_to_do` is empty where there is nothing to do."""

    name: str
    state: State
    sentence: str
    what_to_do: str = ""


def exit_code(checks: Sequence[Check]) -> int:
    """Return 0 where all is fine, 2 where something fails, else 1: not known is not fine."""
    states = {check.state for check in checks}
    if "fail" in states:
        return FAILING
    return FINE if states <= {"ok"} else ATTENTION

"""A message that goes out, and how its delivery ended: never later than a limit."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from forecast.records.notices import FAILED, NOT_KNOWN, DeliveryState


@dataclass(frozen=True)
class Message:
    """What goes out. `id` is the same for the same news, so that whoever gets it twice can tell.

    `facts` are the same for a machine.
    """

    id: str
    subject: str
    text: str
    facts: list[dict[str, Any]]
    written_at: datetime


@dataclass(frozen=True)
class Outcome:
    """How a delivery ended; `error` is one sentence without address, login or secret.

    *failed* says that it was surely not taken and may be sent again; *not known* that it was
    handed over and no answer came.
    """

    state: DeliveryState
    error: str | None = None


def within(seconds: float, deliver: Callable[[], Outcome]) -> Outcome:
    """Deliver, for so long at most [s]: a server that drips its answer must not stop the clock.

    What is late goes on by itself to its own end; how that ended is then not known.
    """
    ended: list[Outcome] = []

    def work() -> None:
        try:
            ended.append(deliver())
        except Exception as error:
            # any fault of a delivery is an outcome; its text may hold an address
            ended.append(Outcome(FAILED, f"it was stopped by {type(error).__name__}"))

    thread = threading.Thread(target=work, name="delivery", daemon=True)
    thread.start()
    thread.join(seconds)
    if ended:
        return ended[0]
    return Outcome(NOT_KNOWN, f"the other side took longer than {seconds:g} s")

"""What else a caller does in the transaction that keeps something, such as the line of the audit.

Rooms that know nothing of who signs in keep plans and hand-overs; pages and commands, which do,
hand this down, so that what is done and who did it stand together or not at all.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection

Also = Callable[[Connection], object]


def nothing_more(_: Connection) -> None:
    """Do nothing else."""

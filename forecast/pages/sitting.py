"""Who sits at the browser that asks."""

from __future__ import annotations

from dataclasses import dataclass, field

from forecast.accounts.person import Account
from forecast.accounts.sessions import Session


@dataclass(frozen=True)
class Sitting:
    """Who asks, and what the last form wants said.

    Attributes
    ----------
    account
        None for a stranger, and for whoever still owes the second factor.
    said
        A sentence to be shown once.
    session
        What the browser's cookie stands for; there is one without an account while the second
        factor is owed.
    token, browser
        What the browser carries: its session, and the mark of one known from before.
    address
        The network address that the request comes from.
    regions
        Ids of the regions whose branches the account is limited to; None: all regions.
    """

    account: Account | None
    said: str = ""
    session: Session | None = None
    token: str = field(default="", repr=False)
    browser: str | None = field(default=None, repr=False)
    address: str = ""
    regions: frozenset[str] | None = None

    @property
    def owes_second_factor(self) -> bool:
        """Whether the password was right and the second factor is still to come."""
        return self.session is not None and not self.session.is_whole


STRANGER = Sitting(None)

"""One person who signs in, as pages and commands see them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from forecast.accounts.roles import Right, Role, rights_of

Standing = Literal["active", "invited", "ended", "deactivated"]


@dataclass(frozen=True)
class Account:
    """One account.

    Attributes
    ----------
    name, email
        Empty for one that nobody has taken up yet, or whose name was erased.
    branches
        Ids of the branches that they may see; empty means all.
    until
        The last day on which they may sign in, such as a locum's; None: no end.
    has_password
        False: invited, and has not come yet.
    """

    id: str
    name: str
    email: str
    role: Role
    branches: tuple[str, ...] = ()
    until: date | None = None
    is_active: bool = True
    has_second_factor: bool = False
    has_password: bool = True

    def may(self, right: Right) -> bool:
        """Say whether the role carries a right."""
        return right in rights_of(self.role)

    def standing(self, today: date) -> Standing:
        """Say how the account stands on a day; only an active one signs in."""
        if not self.is_active:
            return "deactivated"
        if self.until is not None and today > self.until:
            return "ended"
        return "active" if self.has_password else "invited"

"""One person who signs in, as pages and commands see them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from forecast.accounts.roles import Right, Role, rights_of


@dataclass(frozen=True)
class Account:
    """One account; `branches` empty means all, `until` is a locum's last day."""

    id: str
    name: str
    email: str
    role: Role
    branches: tuple[str, ...] = ()
    until: date | None = None
    is_active: bool = True
    has_second_factor: bool = False

    def may(self, right: Right) -> bool:
        """Say whether the role carries a right."""
        return right in rights_of(self.role)

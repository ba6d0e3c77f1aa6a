"""Privacy: erasing an owner everywhere, giving out all that is held on one, keeping no longer."""

from __future__ import annotations

from forecast.privacy.erasing import Erased, Replayed, erase_owner, replay_erasures
from forecast.privacy.expiry import forget_expired
from forecast.privacy.giving_out import held_on_owner
from forecast.privacy.staff import ErasedStaff, erase_staff, held_on_staff

__all__ = [
    "Erased",
    "ErasedStaff",
    "Replayed",
    "erase_owner",
    "erase_staff",
    "forget_expired",
    "held_on_owner",
    "held_on_staff",
    "replay_erasures",
]

"""Privacy: erasing an owner everywhere, giving out all that is held on one, keeping no longer."""

from __future__ import annotations

from forecast.privacy.erasing import Erased, Replayed, erase_owner, replay_erasures
from forecast.privacy.expiry import forget_expired
from forecast.privacy.giving_out import held_on_owner

__all__ = [
    "Erased",
    "Replayed",
    "erase_owner",
    "forget_expired",
    "held_on_owner",
    "replay_erasures",
]

"""Whether a new forecast moved a plan, by how much, and why; and which dates a vet has signed.

A plan has moved where what it proposes is another thing, a dose came or went, or one lies further
from where it lay than the practice tolerates. Signed dates never move by themselves: what is said
of them is only how far the new forecast would put them elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import zip_longest

from models.words import number_of

UNSIGNED = "the plan before"


@dataclass(frozen=True)
class SignedDates:
    """The dates in force of a plan that a vet signed, accepted as proposed or changed."""

    plan_id: str
    state: str
    signed_by: str
    signed_on: date
    dates: tuple[date, ...]


@dataclass(frozen=True)
class Basis:
    """What a plan rested on, as far as a later one can be held against it; None: not known."""

    proposal: str
    doses: tuple[date, ...]
    season_start: date | None
    last_dose: date | None
    price: float | None
    effect_days: float | None = None


@dataclass(frozen=True)
class Move:
    """How far a plan lies from an earlier one, or from the one signed: `days` of the worst dose.

    `days` is None where the number of doses or the proposal itself is another.
    """

    days: int | None
    sentence: str
    from_signed: bool


def moved(
    before: Basis,
    now: Basis,
    *,
    tolerance: int,
    today: date,
    signed: SignedDates | None,
    whose: str = UNSIGNED,
) -> Move | None:
    """Say how far a plan moved, and why; None where it did not by more than the tolerance.

    With `signed`, its dates ahead are what the new ones are held against; else `whose` says in
    words which plan `before` is of.
    """
    own = before.doses if signed is None else signed.dates
    old = tuple(day for day in own if day >= today)
    if signed is not None:
        whose = f"the plan signed on {signed.signed_on}"
    what = _what_moved(old, now.doses, tolerance)
    if what is None and (signed is not None or before.proposal == now.proposal):
        return None
    if what is None:
        what = (None, f"it proposes {now.proposal!r} in place of {before.proposal!r}")
    days, words = what
    sentence = f"against {whose}, {words}; why: {'; '.join(_why(before, now)) or _NOTHING_ELSE}"
    if signed is not None:
        sentence += "; the signed dates stay until a vet changes them"
    return Move(days, sentence, signed is not None)


_NOTHING_ELSE = "the odds of its weeks are other ones in the newer forecast"


def _what_moved(
    old: Sequence[date], new: Sequence[date], tolerance: int
) -> tuple[int | None, str] | None:
    if len(old) != len(new):
        return None, f"{_n_doses(len(new))} in place of {_n_doses(len(old))} ahead"
    apart = [(b - a).days for a, b in zip_longest(old, new)]
    worst = max(apart, key=abs, default=0)
    if abs(worst) <= tolerance:
        return None
    which = new[apart.index(worst)]
    direction = "later" if worst > 0 else "earlier"
    return worst, f"the dose now on {which} lies {number_of(abs(worst), 'day')} {direction}"


def _n_doses(number: int) -> str:
    return {0: "no dose", 1: "one dose"}.get(number, f"{number} doses")


def _why(before: Basis, now: Basis) -> list[str]:
    found = []
    if before.last_dose and (now.last_dose is None or now.last_dose < before.last_dose):
        found.append(f"the dose of {before.last_dose} is on record no longer")
    elif before.last_dose != now.last_dose:
        found.append(f"a dose was given on {now.last_dose}")
    if before.season_start and now.season_start:
        shift = (now.season_start - before.season_start).days
        if shift:
            later = f"{number_of(abs(shift), 'day')} {'later' if shift > 0 else 'earlier'}"
            found.append(f"its season is expected from {now.season_start}, {later}")
    if before.price is not None and now.price is not None and before.price != now.price:
        spared = number_of(now.price, "flare-week")
        found.append(f"a dose must spare {spared}, before it was {before.price:g}")
    if before.effect_days != now.effect_days and now.effect_days is not None:
        found.append(f"a dose is now taken to hold for {now.effect_days:.0f} days in this dog")
    if before.proposal != now.proposal:
        found.append(f"what is proposed was {before.proposal!r} and is {now.proposal!r}")
    return found

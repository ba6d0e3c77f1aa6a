"""How a roster's load lies on its people: hours, and what the weeks of most load take of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from forecast.staffing.roster import Roster, paid_hours
from forecast.wording import day, listed
from models.weeks import monday_of


@dataclass(frozen=True)
class Burden:
    """What a roster asks of one person over its weeks.

    Attributes
    ----------
    person
        Random id.
    home
        The branch of their contract.
    contract
        Hours that the contract pays [h]; leave is paid too.
    hours
        Hours rostered, leave left out [h].
    peak_hours
        Those of them in the peak weeks [h].
    extra, away
        Shifts over the contract, and away from home.
    peak_burdens
        Shifts over the contract or away from home in the peak weeks.
    """

    person: str
    home: str
    contract: float
    hours: float
    peak_hours: float
    extra: int
    away: int
    peak_burdens: int

    @property
    def peak_share(self) -> float | None:
        """The share of their hours that lies in the peak weeks [1]; None without any hours."""
        return self.peak_hours / self.hours if self.hours > 0 else None


def burdens(roster: Roster, who: Mapping[str, str]) -> tuple[Burden, ...]:
    """Return what a roster asks of each of its people: by home, most burdens first, then by name.

    `who` says what people are called, by their random ids.
    """
    peaks, weeks = set(roster.peak_weeks), set(roster.weeks)
    shifts = [one for one in roster.shifts if monday_of(one.day) in weeks]
    contract: dict[str, float] = {}
    home: dict[str, str] = {}
    for terms in roster.staff:
        contract[terms.id] = contract.get(terms.id, 0.0) + paid_hours(terms, roster.weeks)
        home.setdefault(terms.id, terms.home_branch)
    found = []
    for person, paid in contract.items():
        own = [one for one in shifts if one.person == person]
        peak = [one for one in own if monday_of(one.day) in peaks]
        found.append(
            Burden(
                person,
                home[person],
                paid,
                sum(one.hours for one in own),
                sum(one.hours for one in peak),
                sum(one.is_extra for one in own),
                sum(one.is_away for one in own),
                sum(one.is_extra or one.is_away for one in peak),
            )
        )

    def in_order(one: Burden) -> tuple[str, int, str, str]:
        return one.home, -one.peak_burdens, who.get(one.person, ""), one.person

    return tuple(sorted(found, key=in_order))


def burden_note(roster: Roster) -> str:
    """Say which weeks are the peak weeks, and what counts as a burden there."""
    weeks = listed([day(week) for week in roster.peak_weeks])
    return (
        f"Peak weeks, those of most load: the weeks of {weeks}. A burden is a shift over the "
        "contract or away from home. Hours are the plan's; leave is paid and not rostered."
    )


def burden_words(roster: Roster, who: Mapping[str, str]) -> str:
    """Say how evenly the burdens of the peak weeks lie, in a sentence."""
    found = burdens(roster, who)
    most = max((one.peak_burdens for one in found), default=0)
    if not most:
        return "Nobody works over the contract or away from home in the peak weeks."
    those = [who.get(one.person, "erased") for one in found if one.peak_burdens == most]
    shifts = "1 shift" if most == 1 else f"{most} shifts"
    named = those[0] if len(those) == 1 else f"{len(those)} people"
    none = sum(not one.peak_burdens for one in found)
    return (
        f"In the peak weeks {named} {'takes' if len(those) == 1 else 'take'} the most: {shifts} "
        f"over the contract or away from home; {none} of {len(found)} people take none."
    )

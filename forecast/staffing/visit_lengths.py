r"""Minutes a visit takes, learned from the lengths that the practice's own visits carry.

A length is taken for the minutes of the role that leads a visit of its kind. The mean of :math:`n`
lengths, :math:`\bar x`, leans on the house's minutes :math:`m` as if these were :math:`k` visits
more, :math:`(n \bar x + k m) / (n + k)`; of fewer than are needed nothing is learned. The mean and
not the median, since hours of work add up to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import pandas as pd

from forecast.staffing.desk_numbers import (
    FROM_DESK,
    FROM_TABLE,
    FROM_VISITS,
    KINDS,
    ROLES,
    Minutes,
    slug,
    table,
)
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.patterns import ROLE_OF_KIND, Told, recently_seen

MINUTES_TOLD = "minutes a visit takes: "


def learned_minutes(seen: pd.DataFrame, *, today: date) -> tuple[Minutes, ...]:
    """Learn the minutes of each kind of visit for the role that leads it.

    Parameters
    ----------
    seen
        As `forecast.staffing.patterns.seen_visits` gives them; ``minutes`` not-a-number where
        nobody said how long a visit took.
    today
        Visits of this day and later, and those older than two years, are not looked at.

    Returns
    -------
    tuple of Minutes
        None for a kind of which too few lengths are known.
    """
    number = table().number
    known = recently_seen(seen, today=today).dropna(subset=["minutes"])
    weight = number("length.house_weight")
    found = []
    for kind, role_in_episode in ROLE_OF_KIND.items():
        lengths = known.loc[known["role"] == role_in_episode, "minutes"]
        if len(lengths) < number("length.least_visits"):
            continue
        leads = str(table()[f"length.leads.{slug(kind)}"].value)
        house = number(f"minutes.{slug(kind)}.{leads}")
        mean = (float(lengths.sum()) + weight * house) / (len(lengths) + weight)
        found.append(Minutes(kind, leads, mean, None, FROM_VISITS, len(lengths)))
    return tuple(found)


def with_learned(inputs: StaffingInputs, learned: Sequence[Minutes]) -> StaffingInputs:
    """Return the inputs with minutes that were learned: before the house's, behind the desk's."""
    house = [one for one in inputs.minutes if one.source == FROM_TABLE]
    others = [one for one in inputs.minutes if one.source != FROM_TABLE]
    return replace(inputs, minutes=(*house, *learned, *others))


def minutes_told(inputs: StaffingInputs) -> list[Told]:
    """Say of each kind of visit how long it takes of each role, and where that is from."""
    found = []
    for kind in KINDS:
        parts = [inputs.minutes_of(kind, role, "") for role in ROLES]
        parts = [one for one in parts if one.number > 0]
        each = ", ".join(f"{one.role} {one.number:.3g}" for one in parts)
        sources = {one.source for one in parts}
        best = next((one for one in (FROM_VISITS, FROM_DESK) if one in sources), FROM_TABLE)
        found.append(Told(f"{MINUTES_TOLD}{kind}", each, best, _why(parts, inputs)))
    return found


def _why(parts: Sequence[Minutes], inputs: StaffingInputs) -> str:
    """Say on what the minutes of a kind of visit rest, role by role where they differ."""
    words = []
    for one in parts:
        if one.source == FROM_VISITS:
            house = table().number(f"minutes.{slug(one.kind)}.{one.role}")
            weight = int(table().number("length.house_weight"))
            told = (
                f"{one.role}: learned from the lengths of {one.n_visits} visits, leaning on the "
                f"house's {house:g} as on {weight} visits more"
            )
        elif one.source == FROM_DESK:
            told = f"{one.role}: entered by the practice"
        else:
            told = f"{one.role}: the house's"
        words.append(told)
    kind = parts[0].kind if parts else ""
    if any(one.branch is not None and one.kind == kind for one in inputs.minutes):
        words.append("a branch has minutes of its own")
    return "; ".join(words)

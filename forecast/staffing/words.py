"""What a plan of staff says, in sentences: which weeks overflow where, and how likely."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from forecast.staffing.desk_numbers import table
from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.overflow import WaitingWeek
from forecast.staffing.roster import Shift
from forecast.staffing.worked import Worked
from forecast.wording import day, listed, odds

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_NAMED_WEEKS, _NAMED_BRANCHES = 4, 3


def currency_words(currency: str) -> str:
    """Say what money is in; where the practice names no currency, that, and never a guess."""
    return currency or "no currency set"


def told_odds() -> float:
    """Return from which odds on a week is named as one that overflows."""
    return table().number("overflow.told_odds")


def likely_weeks(plan: KeptPlan, branch: str) -> list[WaitingWeek]:
    """Return the weeks of a branch that are told to overflow."""
    return [
        one for one in plan.waiting if one.branch == branch and one.overflow_odds >= told_odds()
    ]


def overflow_answer(plan: KeptPlan, names: Mapping[str, str]) -> str:
    """Say which weeks will probably overflow, where, and at which odds."""
    by_branch = {branch: weeks for branch in plan.branches if (weeks := likely_weeks(plan, branch))}
    if not plan.waiting:
        return "The plan tells of none of your branches."
    if not by_branch:
        return _none(plan, names)
    ranked = sorted(by_branch, key=lambda one: (-len(by_branch[one]), one))
    if len(ranked) == 1:
        return f"{_weeks_at(by_branch[ranked[0]], names.get(ranked[0], ranked[0]))}."
    parts = [_short(by_branch[one], names.get(one, one)) for one in ranked[:_NAMED_BRANCHES]]
    rest = len(ranked) - _NAMED_BRANCHES
    more = f", and {count(rest, 'more branch', 'more branches')}" if rest > 0 else ""
    return f"Weeks will probably overflow at {count(len(ranked), 'branch', 'branches')}: " + (
        f"{'; '.join(parts)}{more}."
    )


def branch_answer(plan: KeptPlan, branch: str, name: str) -> str:
    """Say which weeks of one branch will probably overflow."""
    weeks = likely_weeks(plan, branch)
    if weeks:
        return f"{_weeks_at(weeks, name)}."
    return _none(plan.of_branches({branch}), {branch: name})


def proposal_words(worked: Worked, proposed: KeptPlan) -> str:
    """Say what agreeing to the newest proposal would change; "" where none stands before it."""
    standing = proposed.standing
    if standing is None or worked.is_own:
        return ""
    n_new, n_gone = map(len, worked.proposed_changes(proposed))
    if not n_new and not n_gone:
        return "The newest proposal has the very shifts that stand."
    now, then = (
        sum(one.turned_away for one in told) for told in (standing.waiting, proposed.waiting)
    )
    over = [sum(one.overflow_odds for one in told) for told in (standing.waiting, proposed.waiting)]
    told = (
        f"The newest proposal would add {count(n_new, 'shift', 'shifts')} to those that stand and "
        f"drop {n_gone or 'none'}: {over[1]:.1f} branch-weeks expected to overflow instead of "
        f"{over[0]:.1f}, {then:.0f} visits turned away instead of {now:.0f}"
    )
    cost = next((d for d in standing.money.differences if d.beside == proposed.roster.name), None)
    if cost is None:
        return f"{told}."
    if abs(cost.mean) < 1:
        return f"{told}, at the same expected cost."
    less = "less" if cost.mean > 0 else "more"  # the difference is the standing roster's
    unit = currency_words(standing.money.currency)
    return (
        f"{told}, and {abs(cost.mean):,.0f} [{unit}] {less} expected cost; it is the dearer in "
        f"{100 * cost.cheaper_odds:.0f} % of the futures."
    )


def count(number: int, one: str, several: str) -> str:
    """Say a number of things: in letters up to ten."""
    words = _NUMBERS[number] if 0 <= number < len(_NUMBERS) else str(number)
    return f"{words} {one if number == 1 else several}"


def _weeks_at(weeks: Sequence[WaitingWeek], name: str) -> str:
    said = count(len(weeks), "week", "weeks")
    low, high = (odds(f(one.overflow_odds for one in weeks)) for f in (min, max))
    chance = f"chance {low}" if low == high else f"chances from {low} to {high}"
    those = weeks_words([one.week for one in weeks])
    if len(weeks) > _NAMED_WEEKS:
        return f"At {name} {those} will probably overflow, {chance}"
    return f"{said.capitalize()} will probably overflow at {name}: {those}, {chance}"


def weeks_words(weeks: Sequence[date]) -> str:
    """Name weeks by their Mondays; very many by the first and the last."""
    if len(weeks) == 1:
        return f"the week of {day(weeks[0])}"
    if len(weeks) > _NAMED_WEEKS:
        return f"{len(weeks)} weeks from that of {day(weeks[0])} to that of {day(weeks[-1])}"
    return f"the weeks of {listed([day(one) for one in weeks])}"


def _short(weeks: Sequence[WaitingWeek], name: str) -> str:
    worst = max(weeks, key=lambda one: one.overflow_odds)
    return (
        f"{name}, {count(len(weeks), 'week', 'weeks')}, most likely that of {day(worst.week)} "
        f"({odds(worst.overflow_odds)})"
    )


def _none(plan: KeptPlan, names: Mapping[str, str]) -> str:
    worst = max(plan.waiting, key=lambda one: one.overflow_odds)
    name = names.get(worst.branch, worst.branch)
    chance = odds(worst.overflow_odds)
    is_even = chance == odds(told_odds())  # just below what is told of
    likely = "likelier to overflow than not" if is_even else "likely to overflow"
    return (
        f"No week of the next {plan.n_weeks} is {likely}; the highest chance is {chance}, at "
        f"{name} in the week of {day(worst.week)}."
    )


def shift_words(shift: Shift, people: Mapping[str, str]) -> str:
    """Say who works a shift: a name, or that a locum is to be found; and what is special in it."""
    who = "locum to be found" if shift.person is None else people.get(shift.person, "erased")
    special = [
        words for is_so, words in ((shift.is_extra, "extra"), (shift.is_away, "away")) if is_so
    ]
    return f"{who} ({', '.join(special)})" if special else who

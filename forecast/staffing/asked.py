"""What is asked of the reckoning in words: how many weeks, which service level, which change."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date

from forecast.staffing.desk_numbers import ROLES, StaffingError, table
from forecast.staffing.desk_table import limits
from forecast.staffing.inputs import StaffMember
from forecast.staffing.what_if import BranchClosed, Campaign, Change, OneMore, OtherHours

HOURS, PERSON, CLOSED, CAMPAIGN = "hours", "person", "closed", "campaign"
CHANGES = (HOURS, PERSON, CLOSED, CAMPAIGN)
KEEP_AGREED = "keep_agreed"  # agreed weeks stand, the rest is planned
ONE_MORE = "one more"  # the id of somebody who is not there yet


def weeks_asked(text: str) -> int:
    """Read how many weeks are to be planned; "" for the usual number."""
    if not text:
        return int(limits().number("asked.usual_weeks"))
    return int(_limited("weeks", text, "asked.least_weeks", "asked.most_weeks"))


def service_asked(text: str) -> float | None:
    """Read a service level, a share between 0 and 1; None ("") where costs are to decide."""
    return _limited("service", text, "asked.least_service", "asked.most_service") if text else None


def usual_service() -> float:
    """Return the service level that is asked unless another is."""
    return limits().number("asked.usual_service")


def fields_of(text: str) -> dict[str, str]:
    """Read a change written as ``what=hours,branch=ID,hours_more=1``; see `change_asked`."""
    parts = [part.partition("=") for part in text.split(",") if part.strip()]
    for name, sign, _ in parts:
        if not sign:
            raise StaffingError(
                f"{name.strip()!r} was given of a change; write name=value, with commas between"
            )
    return {name.strip(): value.strip() for name, _, value in parts}


def change_asked(fields: Mapping[str, str], *, branches: Collection[str], today: date) -> Change:
    """Read a change to try from the words of a form.

    Parameters
    ----------
    fields
        `what` is one of `CHANGES`; further fields by it: branch and hours_more; role, branch and
        hours; branch, first, last and instead; per_cent, weeks_earlier and branch.

    Raises
    ------
    StaffingError
        If something is lacking or out of range; the sentence says what is allowed.
    """
    told = {name: value.strip() for name, value in fields.items()}
    what = told.get("what", "")
    if what not in CHANGES:
        raise StaffingError(f"the change {what!r} was asked; there are {', '.join(CHANGES)}")

    def branch(name: str, *, empty: bool = False) -> str | None:
        found = told.get(name, "")
        if empty and not found:
            return None
        if found not in branches:
            raise StaffingError(
                f"the branch {found!r} was asked; there are {', '.join(sorted(branches))}"
            )
        return found

    if what == HOURS:
        most = limits().number("asked.most_hours_more")
        more = _number("hours more", told.get("hours_more", ""), -most, most)
        return OtherHours(str(branch("branch")), hours_more=more)
    if what == PERSON:
        return OneMore(_one_more(told, str(branch("branch"))))
    if what == CLOSED:
        first, last = (_day(name, told.get(name, ""), today) for name in ("first", "last"))
        if last < first:
            raise StaffingError(
                f"the branch was to close from {first} to {last}; put them in order"
            )
        return BranchClosed(str(branch("branch")), first, last, branch("instead", empty=True))
    share = _number("per cent", told.get("per_cent", ""), 1.0, 100.0) / 100.0
    most = limits().number("asked.most_weeks_earlier")
    earlier = int(_number("weeks earlier", told.get("weeks_earlier", ""), 1.0, most))
    return Campaign(share, earlier, branch("branch", empty=True))


def _one_more(told: Mapping[str, str], branch: str) -> StaffMember:
    role = told.get("role", "")
    if role not in ROLES:
        raise StaffingError(f"one more {role!r} was asked; there are {', '.join(ROLES)}")
    usual = limits().number("asked.working_days") * table().number("shift.hours")
    given = told.get("hours") or str(usual)
    hours = _limited("hours a week", given, "hours_week.lowest", "hours_week.highest")
    return StaffMember(ONE_MORE, (role,), branch, hours)


def _limited(name: str, text: str, lowest: str, highest: str) -> float:
    """Read a number between two of the table's limits."""
    return _number(name, text, limits().number(lowest), limits().number(highest))


def _number(name: str, text: str, lowest: float, highest: float) -> float:
    try:
        found = float(text)
    except ValueError:
        found = float("nan")
    if not lowest <= found <= highest:
        raise StaffingError(
            f"{name}: {text!r} was given; allowed is a number from {lowest:g} to {highest:g}"
        )
    return found


def _day(name: str, text: str, today: date) -> date:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise StaffingError(
            f"{name} day: {text!r} was given, which is none; write it as YYYY-MM-DD"
        ) from None
    if found < today:
        raise StaffingError(f"{name} day: {found} was given; choose one from {today} on")
    return found

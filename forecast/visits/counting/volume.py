"""Volume: what a branch's days held, and which days it was closed or full.

The number of consultations is what flares are counted against. A day without visits is closed, or
lost from the export, and the two must not be mixed: closed days come from the opening days, the
closures that the practice lists, and the public holidays of its country. On a day marked full,
demand was at least what was seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

import pandas as pd

from forecast.practice import Practice
from forecast.records import Records
from forecast.records import branches as branch_records
from forecast.records import visits as visit_records
from forecast.regions import Branch
from forecast.visits.rules import VisitError

OPEN, CLOSED_WEEKDAY, HOLIDAY, CLOSURE, NOT_RECORDED = (
    "open",
    "closed on that weekday",
    "public holiday",
    "closure",
    "no visit recorded",
)
SORTS_OF_DAY = (OPEN, CLOSED_WEEKDAY, HOLIDAY, CLOSURE, NOT_RECORDED)


def daily_volume(
    visits: pd.DataFrame,
    branches: Mapping[str, Branch],
    *,
    closures: pd.DataFrame | None = None,
    country: str | None = None,
) -> pd.DataFrame:
    """Return visits by branch and day, from the branch's first to its last.

    Parameters
    ----------
    visits
        A row each: ``date``, ``branch``, ``kind``.
    branches
        The practice's branches with their opening days.
    closures
        Days out of the ordinary: ``branch``, ``date``, ``reason``, ``full`` (the branch was open
        and its diary full).
    country
        ISO 3166-1 letters for public holidays, or ISO 3166-2 for those of a part of it, such as
        DE-BY; None where they are not known.

    Returns
    -------
    pandas.DataFrame
        Index ``(branch, date)``. A column a kind with its number of visits, ``visits`` their sum,
        ``day`` one of ``open``, ``closed on that weekday``, ``public holiday``, ``closure`` and
        ``no visit recorded`` (an opening day without any: closed for a reason not given, or lost),
        and ``full`` (bool).

    Raises
    ------
    VisitError
        If the holidays of the country are not known.

    Notes
    -----
    A day with visits is open, whatever the calendar says: emergencies are seen on holidays too.
    """
    counted = visits.groupby(["branch", "date", "kind"]).size().unstack("kind", fill_value=0)
    parts = []
    for branch in counted.index.get_level_values("branch").unique():
        own = counted.loc[branch]
        days = pd.date_range(own.index.min(), own.index.max(), freq="D", name="date")
        own = own.reindex(days, fill_value=0)
        own["visits"] = own.sum(axis=1)
        own["day"] = NOT_RECORDED
        own["full"] = False
        own.loc[_closed_weekdays(days, branches.get(str(branch))), "day"] = CLOSED_WEEKDAY
        own.loc[days.isin(public_holidays(days, country)), "day"] = HOLIDAY
        if closures is not None:
            listed = closures[closures["branch"] == branch]
            full = listed["full"].astype(bool)
            own.loc[days.isin(listed.loc[~full, "date"]), "day"] = CLOSURE
            own.loc[days.isin(listed.loc[full, "date"]), "full"] = True
        own.loc[own["visits"] > 0, "day"] = OPEN
        parts.append(pd.concat({branch: own}, names=["branch"]))
    return pd.concat(parts) if parts else pd.DataFrame()


def volume_on_record(practice: Practice, records: Records) -> pd.DataFrame:
    """Return `daily_volume` of the live visits, with the closures and full days on record."""
    return daily_volume(
        visit_records.visits(records),
        branch_records.branches(records),
        closures=branch_records.closures(records),
        country=practice.settings.practice.holiday_area,
    )


def days_by_year(days: pd.DataFrame) -> pd.DataFrame:
    """Return how many days of each sort a branch had, by year.

    `days` is what `daily_volume` returns. Columns: ``year``, ``branch``, a column a sort of day
    with its number of days, and ``full``.
    """
    if days.empty:
        return pd.DataFrame(columns=["year", "branch", *SORTS_OF_DAY, "full"])
    told = days[["day", "full"]].reset_index()
    keys = [told["date"].dt.year.rename("year"), told["branch"]]
    table = pd.crosstab(keys, told["day"]).reindex(columns=list(SORTS_OF_DAY), fill_value=0)
    full = told.groupby(keys)["full"].sum()
    return table.assign(full=full).rename_axis(columns=None).reset_index()


def _closed_weekdays(days: pd.DatetimeIndex, branch: Branch | None) -> Iterable[bool]:
    if branch is None:
        return [False] * len(days)
    return [not branch.is_open(day.date()) for day in days]


def public_holidays(days: pd.DatetimeIndex, country: str | None) -> list[pd.Timestamp]:
    """Return the public holidays of the years of some days; none where `country` is None.

    Parameters
    ----------
    country
        As `daily_volume` takes it.

    Raises
    ------
    VisitError
        If they are not known.
    """
    if country is None or not len(days):
        return []
    import holidays

    years = range(days[0].year, days[-1].year + 1)
    letters, _, part = country.partition("-")
    try:
        listed = holidays.country_holidays(letters, subdiv=part or None, years=years)
    except NotImplementedError:
        raise VisitError(
            f"practice.toml: the public holidays of the country {country!r} are not known; give "
            "two letters of ISO 3166-1, such as KR, and a subdivision of it that has holidays of "
            "its own, or leave them out and list closures"
        ) from None
    return [pd.Timestamp(day) for day in listed]


def new_patients(visits: pd.DataFrame, *, known_on: date) -> pd.Series:
    """Return the share of each whole year's patients that were seen for the first time.

    Parameters
    ----------
    visits
        A row each: ``date`` and ``dog``; those without a dog are of other patients and left out.
    known_on
        The day before which visits are known: the year that holds it is not whole.

    Returns
    -------
    pandas.Series
        By year [1]. The first year of the record is left out: there everybody is new.
    """
    seen = visits.dropna(subset=["dog"])
    if seen.empty:
        return pd.Series(dtype=float, name="new_patients")
    year = seen["date"].dt.year
    first = seen.groupby("dog")["date"].min().dt.year
    patients = seen.groupby(year)["dog"].nunique()
    fresh = first.value_counts().reindex(patients.index, fill_value=0)
    whole = (patients.index > year.min()) & (patients.index < known_on.year)
    shares: pd.Series = (fresh / patients)[whole]
    return shares.rename("new_patients")

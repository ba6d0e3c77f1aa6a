"""Drift: does an import look like the practice's past?

A change of coding, a day order read the wrong way round or a branch that was merged looks to a
model like more or fewer flares. So an import is laid beside what the records hold: share of flares,
visits a week, items in no class, vets, days of the week. What goes beyond a limit of
``drift.toml``, and beyond chance, is held: nothing is learnt from it until a person answers.
Branches that open or fall silent are said with their dates and hold nothing up.

Shares of flares are compared within the same months of the year, since a file of the season against
a past of whole years would always differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.parameters import ParameterTable, load_table
from models.weeks import DAYS_IN_WEEK

FLARE = "itch flare"


@dataclass(frozen=True)
class Drift:
    """One way in which an import differs from the past.

    Attributes
    ----------
    measure
        What was compared: flare share, volume, items in no class, vets, weekdays, branch.
    where
        Branch, or empty for the whole practice.
    before, now
        The measure in the past and in the import; missing where there is none.
    holds
        Whether the import is held for it.
    sentence
        The same, for a person.
    """

    measure: str
    where: str
    before: float
    now: float
    holds: bool
    sentence: str


def compare(past: pd.DataFrame, new: pd.DataFrame) -> list[Drift]:
    """Lay an import beside the past.

    Parameters
    ----------
    past, new
        Visits, a row each: ``date``, ``branch``, ``kind``; optional ``vet`` and ``unmapped`` (share
        of the visit's items that are in no class). An optional column that is missing, or empty
        throughout on either side, is not compared.

    Returns
    -------
    list of Drift
        What differs, that which holds first. Empty where the past is too short to say what is
        usual.
    """
    if new.empty or not _enough(past):
        return []
    found = [
        *_flare_share(past, new),
        *_volume(past, new),
        *_unmapped(past, new),
        *_mix(past, new, "vet", "vets"),
        *_weekdays(past, new),
        *_branches(past, new),
    ]
    return sorted(found, key=lambda drift: not drift.holds)


def _enough(past: pd.DataFrame) -> bool:
    if len(past) < _table().number("past.least_visits"):
        return False
    weeks = (past["date"].max() - past["date"].min()).days / DAYS_IN_WEEK
    return bool(weeks >= _table().number("past.least_weeks"))


def _flare_share(past: pd.DataFrame, new: pd.DataFrame) -> Iterator[Drift]:
    """Compare flares among visits, as expected from the past's share in each month."""
    limit = _table().number("limit.flare_share")
    by_month = (past["kind"] == FLARE).groupby(past["date"].dt.month).mean()
    month = new["date"].dt.month
    known = month.isin(by_month.index)
    expected = float(month[known].map(by_month).sum())
    seen = float((new.loc[known, "kind"] == FLARE).sum())
    if not known.any() or not _beyond(seen, expected, limit):
        return
    before, now = expected / known.sum(), seen / known.sum()
    yield Drift(
        "flare share",
        "",
        before,
        now,
        True,
        f"flares are {now:.1%} of the visits of this file, {before:.1%} in the same months of "
        "earlier years: look whether codes, items or words have changed",
    )


def _volume(past: pd.DataFrame, new: pd.DataFrame) -> Iterator[Drift]:
    """Compare visits of each branch with what its last year had on the days the file spans."""
    limit, year = _table().number("limit.volume"), pd.Timedelta(days=365)
    last_year = past[past["date"] >= past["date"].max() - year]
    held = {branch: rows["date"] for branch, rows in last_year.groupby("branch")}
    for branch, rows in new.groupby("branch"):
        if branch not in held:
            continue
        usual = held[branch].dt.day_of_week.value_counts() / _weekly(held[branch])[0]
        within = _without_stragglers(rows["date"])
        expected = float(usual.reindex(_days(within).day_of_week, fill_value=0.0).sum())
        if _beyond(len(within), expected, limit):
            before = float(usual.sum())
            now = before * len(within) / expected
            yield Drift(
                "volume",
                str(branch),
                before,
                now,
                True,
                f"branch {branch} has {now:.0f} visits a week in this file, {before:.0f} in the "
                "year before: look whether part of the export is lacking or came twice",
            )


def _weekly(dates: pd.Series) -> tuple[float, float]:
    """Return the weeks that dates span, stragglers left out, and how many fall on one."""
    within = _without_stragglers(dates)
    weeks = max(1.0, len(_days(within)) / DAYS_IN_WEEK)
    return weeks, len(within) / weeks


def _without_stragglers(dates: pd.Series) -> pd.Series:
    """Return the dates from the first to the last week that holds a fair share of the usual week.

    Visits entered late lie apart from those the file is about and would stretch its span.
    """
    week = dates.dt.to_period("W").dt.start_time
    counts = week.value_counts()
    busy = counts.index[counts >= _table().number("past.busy_share") * counts.median()]
    within: pd.Series = dates[week.between(busy.min(), busy.max())]
    return within


def _days(dates: pd.Series) -> pd.DatetimeIndex:
    """Return every day from the first to the last."""
    return pd.date_range(pd.Timestamp(dates.min()), pd.Timestamp(dates.max()))


def _unmapped(past: pd.DataFrame, new: pd.DataFrame) -> Iterator[Drift]:
    if not _both(past, new, "unmapped"):
        return
    before, now = float(past["unmapped"].mean()), float(new["unmapped"].mean())
    if now - before > _table().number("limit.unmapped"):
        yield Drift(
            "items in no class",
            "",
            before,
            now,
            True,
            f"{now:.0%} of the items of this file are in no class, {before:.0%} before: give the "
            "new item strings their classes in the layout file",
        )


def _mix(past: pd.DataFrame, new: pd.DataFrame, column: str, measure: str) -> Iterator[Drift]:
    if not _both(past, new, column):
        return
    weeks, _ = _weekly(new["date"])
    if weeks < _table().number("file.least_weeks"):  # a day may be one person's
        return
    moved, of_chance = _moved(past[column], new[column])
    if moved > _table().number(f"limit.{measure}") + of_chance:
        yield Drift(
            measure,
            "",
            0.0,
            moved,
            True,
            f"{moved:.0%} of the visits are by other {measure} than before: look whether names "
            "were changed or a branch is lacking; new staff may code otherwise",
        )


def _weekdays(past: pd.DataFrame, new: pd.DataFrame) -> Iterator[Drift]:
    """Compare days of the week, of the past only those that the file spans, each as often.

    A file of three days holds no visit of the other four.
    """
    spanned = _days(_without_stragglers(new["date"])).day_of_week.value_counts()
    usual = past["date"].dt.day_of_week
    weights = usual.map(spanned).fillna(0.0)
    moved, of_chance = _moved(usual, new["date"].dt.day_of_week, weights=weights)
    if moved > _table().number("limit.weekdays") + of_chance:
        yield Drift(
            "weekdays",
            "",
            0.0,
            moved,
            True,
            f"{moved:.0%} of the visits fall on other days of the week than before: look whether "
            "day and month were read the wrong way round, or opening days changed",
        )


def _branches(past: pd.DataFrame, new: pd.DataFrame) -> Iterator[Drift]:
    """Say which branches open or fall silent, and into which one may have gone."""
    silent = pd.Timedelta(weeks=int(_table().number("limit.silent_weeks")))
    first_seen = new.groupby("branch")["date"].min()
    opened = sorted(set(first_seen.index) - set(past["branch"]))
    for branch in opened:
        yield Drift(
            "branch",
            str(branch),
            np.nan,
            np.nan,
            False,
            f"branch {branch} is seen for the first time, from {first_seen[branch]:%Y-%m-%d} on",
        )
    last = pd.concat([past, new]).groupby("branch")["date"].max()
    end = new["date"].max()
    recent = past[past["date"] > past["date"].max() - silent]
    for branch in sorted(set(recent["branch"])):
        if end - last[branch] < silent:
            continue
        into = _may_have_gone(past, new, str(branch), last[branch])
        if opened:
            into = f"; branch {opened[0]} opened meanwhile, it may have moved"
        yield Drift(
            "branch",
            str(branch),
            np.nan,
            np.nan,
            False,
            f"branch {branch} has no visit after {last[branch]:%Y-%m-%d}{into}",
        )


def _may_have_gone(past: pd.DataFrame, new: pd.DataFrame, silent: str, end: pd.Timestamp) -> str:
    """Say which branch has had about as many more visits since another fell silent."""
    last_year = past[past["date"] >= past["date"].max() - pd.Timedelta(days=365)]
    before = {str(name): _weekly(rows["date"])[1] for name, rows in last_year.groupby("branch")}
    after = new[new["date"] > end]
    more = {
        str(name): _weekly(rows["date"])[1] - before[str(name)]
        for name, rows in after.groupby("branch")
        if name in before and name != silent
    }
    grown = max(more, key=lambda name: more[name], default="")
    if not grown or more[grown] < _table().number("limit.merged") * before[silent]:
        return ""
    return (
        f"; branch {grown} has had {more[grown]:.0f} more visits a week since, it may have gone "
        "into it"
    )


def _beyond(seen: float, expected: float, limit: float) -> bool:
    """Whether a count is off by more than a factor, and by more than chance would have it."""
    if expected <= 0:
        return False
    spread = np.sqrt(_table().number("chance.overdispersion") * expected)
    far = abs(seen - expected) > _table().number("chance.z") * spread
    return bool(far and not 1.0 / limit < seen / expected < limit)


def _moved(
    past: pd.Series, new: pd.Series, *, weights: pd.Series | None = None
) -> tuple[float, float]:
    """Return the share of visits that changed group, and how much of it chance would move.

    Half of the summed absolute differences of shares; by chance about
    sum over groups of sqrt(p (1 - p) / n) / sqrt(2 pi) each side. `weights` says how much each
    past visit counts, 1 unless given.
    """
    before = (pd.Series(1.0, past.index) if weights is None else weights).groupby(past).sum()
    shares = pd.concat(
        [before / max(before.sum(), 1.0), new.dropna().value_counts(normalize=True)], axis=1
    ).fillna(0.0)
    shares.columns = pd.Index(["past", "new"])
    moved = float((shares["past"] - shares["new"]).abs().sum() / 2.0)
    if not before.sum():
        return 1.0, 0.0  # every visit is on a day on which none was before
    pooled = shares.mean(axis=1)
    deviation = np.sqrt(pooled * (1 - pooled) * (1 / past.count() + 1 / new.count()))
    return moved, float(deviation.sum() / np.sqrt(2 * np.pi))


def _both(past: pd.DataFrame, new: pd.DataFrame, column: str) -> bool:
    return all(column in side and side[column].notna().any() for side in (past, new))


def _table() -> ParameterTable:
    return load_table("forecast.visits", "drift.toml")

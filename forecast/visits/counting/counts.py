"""Counts per region and week: flare visits, other consultations, share of dogs under cover.

A week in which a region reported nothing at all is not known, not zero. The first weeks of a
region's record are not known either: whether a flare was the first of its episode cannot be told
before the record is as long as the case definition looks back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.practice import Practice
from forecast.records import Records, care, dated, dogs, vintages, visits
from forecast.records.branches import branches, closures
from forecast.records.vintages import Vintage
from forecast.visits.counting.arrivals import KnownVisits, known_visits
from forecast.visits.counting.cover import CoverRule, atopic_dogs, covered_share
from forecast.visits.counting.delay import least_share
from forecast.visits.counting.episodes import FLARE_VISIT, with_roles
from forecast.visits.counting.placing import last_branches, placed, spans_by_region
from forecast.visits.counting.unlike_weeks import unlike_weeks
from forecast.visits.judging import counting_rule
from forecast.visits.rules import VisitError
from models.weeks import DAYS_IN_WEEK, mondays, week_range

AS_KNOWN_THEN = "as known then"
AS_FINALLY_KNOWN = "as finally known"
_WEEK = pd.Timedelta(days=DAYS_IN_WEEK)
_LONG_NAMES = {
    "flare_visits": "flare visits, first of their episode",
    "consultations": "consultations other than flare visits",
    "covered_share": "share of known atopic dogs under a working therapy",
    "reported_share": "share of the week's visits that has come in",
    "flare_visits_so_far": "flare visits of a week that has not all come in",
    "consultations_so_far": "other consultations of a week that has not all come in",
    "full_share": "share of visits on days when the diary was full",
    "open_share": "share of the opening days that were not closed",
}
_NUMBERS = dict.fromkeys(_LONG_NAMES, float)
_SHARES = tuple(name for name in _LONG_NAMES if name.endswith("_share"))


def count_weeks(
    seen: pd.DataFrame,
    *,
    regions: Sequence[str],
    known_on: date,
    flare_free_days: int,
) -> xr.Dataset:
    """Count visits per region and week that ended by `known_on`.

    `seen` has the columns date, dog, kind, region, and may have apart: true where a flare is none
    of the region's, so that the visit is one of the other consultations. An episode ends after
    `flare_free_days`, those of the case definition that gave the kinds.

    Weeks run from the first visit's to the last that had ended; NaN where a region reported
    nothing, and in the first days of its record, as many as end an episode.
    """
    weeks = _weeks(seen, known_on)
    marked = with_roles(seen, flare_free_days=flare_free_days)
    marked = marked.assign(week=mondays(marked["date"].to_numpy()).astype("datetime64[ns]"))
    is_flare = marked["role"] == FLARE_VISIT
    if "apart" in marked:
        is_flare &= ~marked["apart"]
    flares = _table(marked.loc[is_flare], regions, weeks)
    others = _table(marked.loc[~is_flare], regions, weeks)
    told_from = pd.Timedelta(days=flare_free_days)
    known = (flares + others > 0) & _after_start(seen, regions, weeks, told_from)
    return xr.Dataset(
        {
            "flare_visits": (("region", "week"), np.where(known, flares, np.nan)),
            "consultations": (("region", "week"), np.where(known, others, np.nan)),
        },
        coords={"region": np.array(regions, dtype=object), "week": weeks},
    )


def _weeks(seen: pd.DataFrame, known_on: date) -> pd.DatetimeIndex:
    if seen.empty:
        raise VisitError("counts were asked for and no visits are on record; import visits first")
    first = seen["date"].min().date()
    n_weeks = (pd.Timestamp(known_on) - week_range(first, 1)[0]) // _WEEK
    return week_range(first, max(0, n_weeks))


def _table(rows: pd.DataFrame, regions: Sequence[str], weeks: pd.DatetimeIndex) -> np.ndarray:
    table = rows.groupby(["region", "week"]).size().unstack("week", fill_value=0)
    return table.reindex(index=list(regions), columns=weeks, fill_value=0).to_numpy(dtype=float)


def _after_start(
    seen: pd.DataFrame, regions: Sequence[str], weeks: pd.DatetimeIndex, told_from: pd.Timedelta
) -> np.ndarray:
    start = seen.groupby("region")["date"].min().reindex(list(regions)) + told_from
    return weeks.to_numpy()[None, :] >= start.to_numpy()[:, None]


def make_vintage(
    practice: Practice,
    records: Records,
    *,
    cover_rules: Mapping[str, CoverRule],
    known_on: date | None = None,
) -> Vintage:
    """Count all live visits per region and week, and append the counts as a dated vintage.

    Earlier vintages stay as they are; where the newest of the same day says the same, it is kept
    and none is added. `known_on` is today unless given. What the counts show is told by the
    vintage's kind, see `what_is_shown`.
    """
    known_on = practice.today if known_on is None else known_on
    counted = current_counts(practice, records, cover_rules=cover_rules, known_on=known_on)
    rows = _vintage_rows(counted)
    kind, rule = counted.attrs["counts_kind"], counted.attrs["case_definition"]
    newest = _newest(records, known_on=known_on, kind=kind, rule=rule)
    if newest is not None and _says(records, newest, rows):
        return newest
    return vintages.add_vintage(
        records,
        rows,
        known_on=known_on,
        made_at=practice.now,
        case_definition=rule,
        kind=kind,
    )


def _newest(records: Records, *, known_on: date, kind: str, rule: str) -> Vintage | None:
    wanted = (known_on, kind, rule)
    held = [
        v for v in vintages.vintages(records) if (v.known_on, v.kind, v.case_definition) == wanted
    ]
    return held[-1] if held else None


def _says(records: Records, held: Vintage, rows: Sequence[dict[str, object]]) -> bool:
    new = pd.DataFrame(rows).astype(_NUMBERS).assign(week=lambda f: pd.to_datetime(f["week"]))
    new = new.sort_values(["region_id", "week"], ignore_index=True)
    old = vintages.vintage_counts(records, held.id)
    return new.equals(old[new.columns].astype(new.dtypes))


def anything_to_count(records: Records, *, known_on: date) -> bool:
    """Say whether any visit of a day before `known_on` is held."""
    return bool((visits.visits(records)["date"] < pd.Timestamp(known_on)).any())


def current_counts(
    practice: Practice,
    records: Records,
    *,
    cover_rules: Mapping[str, CoverRule],
    known_on: date,
) -> xr.Dataset:
    """Count the live visits of the days before `known_on`; `make_vintage` also keeps the result.

    A visit counts in the region where its dog lived that day. A week is not known while too much
    of it has not come in; what has come in of it stands apart.
    """
    rule = counting_rule(practice, records)
    known = known_visits(practice, records, known_on=known_on)
    places = _Places(
        dated.home_frame(records),
        {branch.id: branch.region_id for branch in branches(records).values()},
        practice.settings.visits.unknown_home,
    )
    regions = [section.id for section in practice.settings.region]
    seen = placed(known.visits, *places)
    counted = count_weeks(
        seen, regions=regions, known_on=known_on, flare_free_days=rule.flare_free_days
    )
    weeks = pd.DatetimeIndex(counted.indexes["week"])
    counted = _come_in(counted, known, weeks)
    days = (branches(records), closures(records), practice.settings.practice.holiday_area)
    unlike = unlike_weeks(seen, *days, regions=regions, weeks=weeks)
    counted = counted.assign({k: (("region", "week"), v) for k, v in unlike.items()})
    counted["covered_share"] = (
        ("region", "week"),
        _covered_share(records, seen, places, weeks, (cover_rules, regions, known_on)),
    )
    counted.attrs["counts_kind"] = what_is_shown(known, known_on=known_on, today=practice.today)
    return _described(counted, case_definition=rule.words, known_on=known_on)


def what_is_shown(known: KnownVisits, *, known_on: date, today: date) -> str:
    """Say whether counts show what was known on that day, or what is known of it in the end.

    With entry stamps any day can be shown as it was known then. Without, a practice's first import
    and every day of the past are seen as finally known.
    """
    later = known_on >= today and known.n_import_days > 1
    return AS_KNOWN_THEN if known.is_stamped or later else AS_FINALLY_KNOWN


def _come_in(counted: xr.Dataset, known: KnownVisits, weeks: pd.DatetimeIndex) -> xr.Dataset:
    """Set apart the counts of weeks that have not come in well enough."""
    share = xr.DataArray(known.share(weeks), dims="week", coords={"week": weeks})
    whole = share >= least_share()
    parts = {f"{name}_so_far": counted[name].where(~whole & (share > 0)) for name in counted}
    told = share.where(counted["consultations"].notnull())
    return counted.where(whole).assign(parts | {"reported_share": told.transpose("region", "week")})


class _Places(NamedTuple):
    """What tells where a dog counts, see `forecast.visits.counting.placing`."""

    homes: pd.DataFrame
    of_branch: Mapping[str, str]
    unknown_home: str


def _covered_share(
    records: Records,
    seen: pd.DataFrame,
    places: _Places,
    weeks: pd.DatetimeIndex,
    asked: tuple[Mapping[str, CoverRule], Sequence[str], date],
) -> NDArray[np.float64]:
    """Return the covered share by region and week, of dogs where they lived and while they did."""
    rules, regions, known_on = asked
    therapies = care.therapies(records)
    therapies = therapies.loc[therapies["date"] < pd.Timestamp(known_on)]
    facts = care.facts(records)
    atopic = atopic_dogs(facts.loc[facts["date"] < pd.Timestamp(known_on)], seen, therapies)
    atopic = _while_here(records, atopic, seen, therapies, known_on)
    spans = spans_by_region(atopic, *places)
    return covered_share(weeks, regions=regions, atopic=spans, therapies=therapies, rules=rules)


def _while_here(
    records: Records,
    atopic: pd.DataFrame,
    seen: pd.DataFrame,
    therapies: pd.DataFrame,
    known_on: date,
) -> pd.DataFrame:
    """Add until when each dog counts, and the branch that sees it.

    One that is active counts on. One that left or died on a day that is known counts until then; of
    the others nothing is known after the day on which they were last on record.
    """
    registered = {dog.id: dog for dog in dogs.dogs(records, on=known_on)}
    with records.reading() as connection:
        left = dated.left_on(connection, known_on)
    held = pd.concat([seen[["dog", "date"]], therapies[["dog", "date"]]])
    last = held.groupby("dog")["date"].max().reindex(atopic.index).fillna(atopic["since"])
    until = (last + pd.Timedelta(days=1)).to_frame("last")
    until["left"] = pd.to_datetime(pd.Series(left, dtype="datetime64[ns]")).reindex(atopic.index)
    active = [registered[name].status == dated.ACTIVE for name in atopic.index]
    last_branch = last_branches(seen)
    branch = [registered[name].branch_id or last_branch.get(name) for name in atopic.index]
    return atopic.assign(
        until=until.max(axis=1).mask(np.array(active, dtype=bool)),
        branch=pd.Series(branch, index=atopic.index, dtype=object),
    )


def _vintage_rows(counted: xr.Dataset) -> list[dict[str, object]]:
    frame = counted.to_dataframe().reset_index()
    names = list(_LONG_NAMES)
    return [
        {"region_id": row["region"], "week": row["week"].date()}
        | {name: None if np.isnan(row[name]) else float(row[name]) for name in names}
        for row in frame.to_dict("records")
    ]


def counts_as_known(records: Records, origin: date, vintage: Vintage) -> xr.Dataset:
    """Return a vintage's counts (region, week), cut to the weeks that had ended by the origin.

    No week at all where none had ended yet.

    The attribute `counts_kind` says "as known then" only if the vintage was itself known by the
    origin; a later one shows what was known in the end, and a forecast from it is a hindcast.
    """
    rows = vintages.vintage_counts(records, vintage.id)
    ended = rows.loc[rows["week"] + _WEEK <= pd.Timestamp(origin)]
    counted = xr.Dataset.from_dataframe(
        ended.rename(columns={"region_id": "region"}).set_index(["region", "week"])
    )
    then = vintage.kind == AS_KNOWN_THEN and vintage.known_on <= origin
    counted.attrs |= {
        "visit_vintage": vintage.id,
        "counts_kind": AS_KNOWN_THEN if then else AS_FINALLY_KNOWN,
    }
    return _described(counted, case_definition=vintage.case_definition, known_on=vintage.known_on)


def _described(counted: xr.Dataset, *, case_definition: str, known_on: date) -> xr.Dataset:
    for name, words in _LONG_NAMES.items():
        if name not in counted:
            continue
        counted[name].attrs = {
            "long_name": words,
            "units": "1",
            "cell_methods": "week: sum (interval: 7 days, Monday to Sunday)",
        }
    for name in _SHARES:
        if name in counted:
            counted[name].attrs["cell_methods"] = "week: mean"
    counted.attrs |= {"case_definition": case_definition, "known_on": known_on.isoformat()}
    return counted

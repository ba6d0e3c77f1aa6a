"""Counts per region and week: flare visits, other consultations, share of dogs under cover.

A week in which a region reported nothing at all is not known, not zero. The first weeks of a
region's record are not known either: whether a flare was the first of its episode cannot be told
before the record is as long as the case definition looks back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.practice import Practice
from forecast.records import Records, care, dogs, vintages, visits
from forecast.records.branches import branches
from forecast.records.vintages import Vintage
from forecast.visits.cover import atopic_dogs, covered_share
from forecast.visits.episodes import FLARE_VISIT, with_roles
from forecast.visits.rules import VisitError, case_definition, flare_free_days
from models.weeks import DAYS_IN_WEEK, mondays, week_range

AS_KNOWN_THEN = "as known then"
AS_FINALLY_KNOWN = "as finally known"
_WEEK = pd.Timedelta(days=DAYS_IN_WEEK)
_NUMBERS = dict.fromkeys(("flare_visits", "consultations", "covered_share"), float)
_LONG_NAMES = {
    "flare_visits": "flare visits, first of their episode",
    "consultations": "consultations other than flare visits",
    "covered_share": "share of known atopic dogs under a working therapy",
}


def count_weeks(seen: pd.DataFrame, *, regions: Sequence[str], known_on: date) -> xr.Dataset:
    """Count visits (columns date, dog, kind, region) per region and week that ended by `known_on`.

    Weeks run from the first visit's to the last that had ended; NaN where a region reported
    nothing, and in the first 28 days of its record.
    """
    weeks = _weeks(seen, known_on)
    marked = with_roles(seen)
    marked = marked.assign(week=mondays(marked["date"].to_numpy()).astype("datetime64[ns]"))
    is_flare = marked["role"] == FLARE_VISIT
    flares = _table(marked.loc[is_flare], regions, weeks)
    others = _table(marked.loc[~is_flare], regions, weeks)
    known = (flares + others > 0) & _after_start(seen, regions, weeks)
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


def _after_start(seen: pd.DataFrame, regions: Sequence[str], weeks: pd.DatetimeIndex) -> np.ndarray:
    start = seen.groupby("region")["date"].min().reindex(list(regions))
    told_from = start + pd.Timedelta(days=flare_free_days())
    return weeks.to_numpy()[None, :] >= told_from.to_numpy()[:, None]


def make_vintage(
    practice: Practice,
    records: Records,
    *,
    cover_days: Mapping[str, int | None],
    known_on: date | None = None,
    kind: str = AS_KNOWN_THEN,
) -> Vintage:
    """Count all live visits per region and week, and append the counts as a dated vintage.

    Earlier vintages stay as they are; where the newest of the same day says the same, it is kept
    and none is added. `known_on` is today unless given; `kind` is "as finally known" where a later
    export stands in for what was known then.
    """
    known_on = practice.today if known_on is None else known_on
    counted = current_counts(practice, records, cover_days=cover_days, known_on=known_on)
    rows = _vintage_rows(counted)
    newest = _newest(records, known_on=known_on, kind=kind)
    if newest is not None and _says(records, newest, rows):
        return newest
    return vintages.add_vintage(
        records,
        rows,
        known_on=known_on,
        made_at=practice.now,
        case_definition=case_definition(),
        kind=kind,
    )


def _newest(records: Records, *, known_on: date, kind: str) -> Vintage | None:
    wanted = (known_on, kind, case_definition())
    held = [
        v for v in vintages.vintages(records) if (v.known_on, v.kind, v.case_definition) == wanted
    ]
    return held[-1] if held else None


def _says(records: Records, held: Vintage, rows: Sequence[dict[str, object]]) -> bool:
    new = pd.DataFrame(rows).astype(_NUMBERS).assign(week=lambda f: pd.to_datetime(f["week"]))
    new = new.sort_values(["region_id", "week"], ignore_index=True)
    old = vintages.vintage_counts(records, held.id)
    return new.equals(old[new.columns].astype(new.dtypes))


def current_counts(
    practice: Practice,
    records: Records,
    *,
    cover_days: Mapping[str, int | None],
    known_on: date,
) -> xr.Dataset:
    """Count the live visits of the days before `known_on`; `make_vintage` also keeps the result."""
    regions = [section.id for section in practice.settings.region]
    all_dogs = {dog.id: dog for dog in dogs.dogs(records)}
    homes = {dog.id: dog.home_region for dog in all_dogs.values() if dog.home_region}
    of_branch = {branch.id: branch.region_id for branch in branches(records).values()}
    seen = visits.visits(records)
    seen = seen.loc[seen["date"] < pd.Timestamp(known_on)]
    home = seen["dog"].map(homes).astype(object)
    region = home.where(home.notna(), seen["branch"].map(of_branch))
    seen = seen.assign(region=region)
    counted = count_weeks(seen, regions=regions, known_on=known_on)
    therapies = care.therapies(records)
    therapies = therapies.loc[therapies["date"] < pd.Timestamp(known_on)]
    facts = care.facts(records)
    atopic = atopic_dogs(facts.loc[facts["date"] < pd.Timestamp(known_on)], seen, therapies)
    atopic = _placed(atopic, all_dogs, of_branch)
    atopic = _until_last_seen(atopic, all_dogs, seen=seen, therapies=therapies)
    share = covered_share(
        pd.DatetimeIndex(counted.indexes["week"]),
        regions=regions,
        atopic=atopic,
        therapies=therapies,
        cover_days=cover_days,
    )
    counted["covered_share"] = (("region", "week"), share)
    return _described(counted, case_definition=case_definition(), known_on=known_on)


def _placed(
    atopic: pd.DataFrame, all_dogs: Mapping[str, dogs.Dog], of_branch: Mapping[str, str]
) -> pd.DataFrame:
    found = [all_dogs[name] for name in atopic.index]
    region = [dog.home_region or of_branch.get(dog.branch_id or "") for dog in found]
    return atopic.assign(region=pd.Series(region, index=atopic.index, dtype=object))


def _until_last_seen(
    atopic: pd.DataFrame,
    all_dogs: Mapping[str, dogs.Dog],
    *,
    seen: pd.DataFrame,
    therapies: pd.DataFrame,
) -> pd.DataFrame:
    """End a dog that is not known to be active still on the day after it was last on record."""
    held = pd.concat([seen[["dog", "date"]], therapies[["dog", "date"]]])
    last = held.groupby("dog")["date"].max().reindex(atopic.index).fillna(atopic["since"])
    active = np.array([all_dogs[name].status == "active" for name in atopic.index], dtype=bool)
    return atopic.assign(until=(last + pd.Timedelta(days=1)).mask(active))


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
        counted[name].attrs = {
            "long_name": words,
            "units": "1",
            "cell_methods": "week: sum (interval: 7 days, Monday to Sunday)",
        }
    counted["covered_share"].attrs["cell_methods"] = "week: mean"
    counted.attrs |= {"case_definition": case_definition, "known_on": known_on.isoformat()}
    return counted

"""Which region a visit and a dog count in: where the dog lived then, not where it was seen.

A dog that lives far off flares under another weather: its flares count in no region, and its visits
stay in the volume of the branch that saw it. Where a dog's home is not known, the practice says in
practice.toml whether the branch's region stands in for it (the usual) or the dog counts as one from
far off.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from forecast.homes import Home
from forecast.records.dated import homes_at

BRANCH_REGION = "branch region"


def region_of(home: Home, branch_region: str | None, unknown_home: str) -> str | None:
    """Return the region whose weather a dog lives under; None where that is not known."""
    if home.place == "not known" and unknown_home == BRANCH_REGION:
        return branch_region
    return home.region


def last_branches(seen: pd.DataFrame) -> pd.Series:
    """Return the branch that saw each dog last, from visits (date, branch, dog)."""
    named = seen.dropna(subset=["dog"]).sort_values("date", kind="stable")
    return named.groupby("dog")["branch"].last()


def placed(
    seen: pd.DataFrame, homes: pd.DataFrame, of_branch: Mapping[str, str], unknown_home: str
) -> pd.DataFrame:
    """Add to visits (date, branch, dog) the region in which they count.

    Parameters
    ----------
    seen, homes
        Visits, and homes as `forecast.records.dated.home_frame` returns them.
    of_branch
        Region of each branch.
    unknown_home
        ``branch region`` or ``apart``.

    Returns
    -------
    pandas.DataFrame
        With ``region``, in whose volume the visit counts, and ``apart``, True where a flare of that
        dog is no flare of the region.
    """
    lived = homes_at(homes, seen["dog"], seen["date"])
    branch_region = seen["branch"].map(of_branch).astype(object)
    at_home = lived["place"] == "region"
    region = lived["region"].where(at_home, branch_region)
    unknown = (lived["place"] == "not known") & seen["dog"].notna()
    apart = (lived["place"] == "distant") | (unknown & (unknown_home != BRANCH_REGION))
    return seen.assign(region=region, apart=apart)


def spans_by_region(
    dogs: pd.DataFrame, homes: pd.DataFrame, of_branch: Mapping[str, str], unknown_home: str
) -> pd.DataFrame:
    """Cut the time for which dogs count into spans in which each lived in one region.

    Parameters
    ----------
    dogs
        Index dog; ``since``, ``until`` (the day after the last, missing where there is none) and
        ``branch``, where the dog is seen.
    homes, of_branch, unknown_home
        As for `placed`.

    Returns
    -------
    pandas.DataFrame
        Index dog, which may stand there more than once; ``since``, ``until``, ``region`` (missing
        where it is not known, or far off).
    """
    moves = homes.loc[homes["dog"].isin(dogs.index), ["dog", "date"]].dropna()
    starts = pd.concat([dogs["since"].rename("date").rename_axis("dog").reset_index(), moves])
    starts = starts.drop_duplicates().sort_values(["dog", "date"], kind="stable")
    whole = dogs.loc[starts["dog"]]
    inside = (starts["date"].to_numpy() >= whole["since"].to_numpy()) & ~(
        starts["date"].to_numpy() >= whole["until"].to_numpy()
    )
    starts, whole = starts[inside].reset_index(drop=True), whole[inside]
    following = starts.groupby("dog")["date"].shift(-1)
    lived = homes_at(homes, starts["dog"], starts["date"])
    branch_region = whole["branch"].map(of_branch).to_numpy(object)
    stands_in = (lived["place"] == "not known") & (unknown_home == BRANCH_REGION)
    region = np.where(stands_in, branch_region, lived["region"].to_numpy(object))
    until = following.where(following.notna(), pd.Series(whole["until"].to_numpy()))
    dog = pd.Index(starts["dog"], name="dog")
    return pd.DataFrame(
        {
            "since": starts["date"].to_numpy(),
            "until": until.to_numpy(),
            "region": pd.Series(region, index=dog, dtype=object),
        },
        index=dog,
    )
